"""Coverage by branch of the rules: `python -m tests.coverage`."""
