"""A night as files that other programs read."""
