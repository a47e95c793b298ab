"""From a swept recording to a scored night."""
