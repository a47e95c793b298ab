"""Power cut at every file operation: `python -m tests.power`."""
