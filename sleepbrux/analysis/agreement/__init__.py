"""How far two scorings of the same nights agree; neither is taken for the truth."""
