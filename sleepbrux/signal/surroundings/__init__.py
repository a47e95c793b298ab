"""What a recording holds besides the jaw muscles, read once."""
