"""Coverage by branch of a room by the tests that belong to it: ``python -m tests.coverage spans --resume``.

coverage.py measures (extra ``coverage``). The rooms are those of mutation testing (`tests/mutation/rooms.py`), with
more tests where a mutant would have to wait for them too long. ``--resume`` passes over rooms whose file and tests are
as they were; ``--write`` adds a line to ``results.md``. Lines and branches that were never run are named.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.mutation.rooms import MORE, ROOMS

ROOT = Path(__file__).parents[2]
RESULTS = Path(__file__).with_name("results.md")
RULES = """
[run]
branch = True
[report]
exclude_also =
    if TYPE_CHECKING:
"""


def belonging(room: str) -> tuple[str, ...]:
    """The tests that belong to a room."""
    return (*ROOMS[room][1], *MORE.get(room, ()))


def state_of(room: str) -> str:
    """What a result is of: the room's file and its tests."""
    names = (ROOMS[room][0], *belonging(room))
    return hashlib.sha256(b"\0".join((ROOT / name).read_bytes() for name in names)).hexdigest()[:12]


def measured(room: str, state: Path) -> dict[str, Any]:
    """Run the tests of a room, and what coverage.py says of its file."""
    rules, data, report = state / "coveragerc", state / f"{room}.data", state / f"{room}.report.json"
    rules.write_text(RULES, "utf-8")
    environment = {**os.environ, "COVERAGE_FILE": str(data), "COVERAGE_RCFILE": str(rules)}

    def run(*words: str) -> int:
        return subprocess.run(
            [sys.executable, "-m", "coverage", *words], cwd=ROOT, env=environment, check=False
        ).returncode

    options = ("-q", "-n", "0", "-p", "no:cacheprovider", "-m", "long or not long")
    if run("run", f"--include={ROOMS[room][0]}", "-m", "pytest", *options, *belonging(room)):
        raise SystemExit(f"{room}: its tests fail")
    if run("json", "-q", "-o", str(report)):
        raise SystemExit(f"{room}: nothing was measured")
    (found,) = json.loads(report.read_text("utf-8"))["files"].values()
    return dict(found)


def row(room: str, found: dict[str, Any]) -> str:
    """One line of the table of results."""
    total = found["summary"]
    shares = [
        f"{total[covered]} of {total[all_]}"
        for covered, all_ in (("covered_lines", "num_statements"), ("covered_branches", "num_branches"))
    ]
    return f"| {room} | {ROOMS[room][0]} | {' | '.join(shares)} | {total['percent_covered']:.1f} |"


def never_run(found: dict[str, Any]) -> list[str]:
    """Lines and branches that no test took."""
    lines = [f"line {n}" for n in found["missing_lines"]]
    missing = set(found["missing_lines"])
    branches = [
        f"branch {a} to {'the end' if b < 0 else b}"
        for a, b in found["missing_branches"]
        if a not in missing and b not in missing
    ]
    return lines + branches


def main(words: Sequence[str] | None = None) -> int:
    """Measure the rooms that are asked for, one after the other."""
    parser = argparse.ArgumentParser(prog="python -m tests.coverage", description=__doc__)
    parser.add_argument("rooms", nargs="*", choices=[*ROOMS, []], metavar="ROOM", help=", ".join(ROOMS))
    parser.add_argument("--resume", action="store_true", help="pass over what was measured and is as it was")
    parser.add_argument("--state", type=Path, default=Path(tempfile.gettempdir()) / "sleepbrux-coverage")
    parser.add_argument("--write", action="store_true", help="add the lines to results.md")
    args = parser.parse_args(words)
    args.state.mkdir(parents=True, exist_ok=True)
    for room in args.rooms or ROOMS:
        kept = args.state / f"{room}-{state_of(room)}.json"
        if not (args.resume and kept.is_file()):
            kept.write_text(json.dumps(measured(room, args.state)), "utf-8")
        found = json.loads(kept.read_text("utf-8"))
        line = row(room, found)
        print("\n".join([line, *(f"    never run: {text}" for text in never_run(found))]), flush=True)
        if args.write:
            with RESULTS.open("a", encoding="utf-8") as file:
                file.write(f"{line} {datetime.now(UTC):%Y-%m-%d} |\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
