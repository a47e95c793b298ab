"""Reading of each file format."""
