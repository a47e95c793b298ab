"""Power cut before every file operation: ``python -m tests.power [SCENARIO ...]``.

A child ends before its n-th operation (a file opened for writing, written, flushed, renamed, removed, a folder
made), for each n; what it had written and not flushed is cut in half. With ``--lose`` it is cut also with each one
of the renames undone that were not flushed yet. After each the next command must see the old
state or the new one, or say in one sentence what is wrong; and the same act done again must end as if nothing had
happened.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.power.cut import trial
from tests.power.scenarios import SCENARIOS, prepare


def main() -> int:
    """Run scenarios by name, or all."""
    parser = argparse.ArgumentParser(prog="python -m tests.power", description=__doc__)
    parser.add_argument("scenarios", nargs="*", metavar="SCENARIO", help=", ".join(SCENARIOS))
    parser.add_argument("--every", type=int, default=1, help="cut before every N-th operation only")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="of each scenario at most")
    parser.add_argument("--lose", action="store_true", help="lose each rename that was not flushed, too")
    given = parser.parse_args()
    names = given.scenarios or list(SCENARIOS)
    prepare(names)
    wrong = 0
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder)
            found = trial(SCENARIOS[name], home, step=given.every, lose=given.lose, minutes=given.minutes)
        wrong += len(found.wrong)
        print(
            f"{name:18} {found.cuts:>4} cuts, of them {found.lost:>3} with a lost rename:"
            f" {found.old:>4} old, {found.new:>3} new, {found.told:>3} told,"
            f" {len(found.wrong)} wrong; up to operation"
            f" {found.last} of {found.operations}",
            flush=True,
        )
        for text in found.wrong[:6]:
            print(f"    {text}", flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
