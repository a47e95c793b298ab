"""sleepbrux: scores overnight home recordings of the jaw muscles."""

__version__ = "0.1.0"
