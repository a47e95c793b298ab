"""``python -m sleepbrux``."""

from sleepbrux.cli import main

if __name__ == "__main__":
    main()
