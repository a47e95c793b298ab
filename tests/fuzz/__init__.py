"""Every small input bent at random: `python -m tests.fuzz`."""
