"""From a file to a lazy `Recording`: channels in µV on the night's clock, gaps, marks, notes."""
