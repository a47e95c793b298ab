"""The study file, what it names, and what one person's nights are."""
