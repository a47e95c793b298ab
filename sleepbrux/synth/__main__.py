"""``python -m sleepbrux.synth FILE.edf`` writes the excerpt of ``demo_data``; ``stream`` sends a live stream."""

import sys
from pathlib import Path

if __name__ == "__main__":
    if sys.argv[1:2] == ["stream"]:
        from sleepbrux.synth.stream import main

        sys.exit(main(sys.argv[2:]))
    from sleepbrux.synth.study import write_excerpt

    write_excerpt(Path(sys.argv[1]))
