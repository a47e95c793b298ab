"""The page on which a person goes from a folder of recordings to a letter, without a command."""
