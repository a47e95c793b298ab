"""From raw samples to 10-ms frames, the envelope, and what each second was worth."""
