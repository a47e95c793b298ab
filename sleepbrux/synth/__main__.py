"""``python -m sleepbrux.synth FILE.edf`` writes the excerpt of ``demo_data``."""

import sys
from pathlib import Path

from sleepbrux.synth.study import write_excerpt

if __name__ == "__main__":
    write_excerpt(Path(sys.argv[1]))
