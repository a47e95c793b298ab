"""Bend every input: ``python -m tests.fuzz study --mutants 20000 --resume``; no name: all of them.

A child a batch bends valid seeds and does with them what commands do. Each mutant must end in a result or in
the package's own error of one sentence, within `LIMIT_S` of processor time and with no more than
`LIMIT_BYTES` above what the child held before. Warnings are errors. What was done is kept in a file of JSON
lines; ``--resume`` goes on behind it. ``--again INPUT NUMBER`` runs one mutant with its traceback.
"""

from __future__ import annotations

import argparse
import faulthandler
import json
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

LIMIT_S = 10.0
LIMIT_BYTES = 500 << 20
SPARE_BYTES = 1 << 30  # address space is more than memory
HANGS_S = 120.0
BATCH = 250
MOST_FAILURES = 6  # of one batch


class TooLongError(BaseException):
    """A mutant used up its time."""


def _too_long(*_: Any) -> None:
    raise TooLongError(f"more than {LIMIT_S} s of processor time")


def _held() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def batch(kind: str, first: int, stop: int, at: Path | None = None) -> dict[str, Any]:
    """Outcomes of mutants ``first`` to ``stop``, and what went wrong."""
    from tests.fuzz.inputs import INPUTS, Place, mutant, outcome

    counts: Counter[str] = Counter()
    wrong: list[str] = []
    slowest, grown = 0.0, 0
    with tempfile.TemporaryDirectory() as name:
        place = Place(Path(name))
        seeds = INPUTS[kind].seeds(place)
        for seed in seeds:
            try:
                INPUTS[kind].try_seed(seed, place)
            except Exception as error:
                raise AssertionError(f"{kind}: a valid seed fails") from error
        before = _held()
        signal.signal(signal.SIGPROF, _too_long)
        for number in range(first, stop):
            if at is not None:
                at.write_text(str(number))
            data = mutant(kind, number, seeds)
            began = time.process_time()
            signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
            try:
                counts[outcome(kind, data, place)] += 1
            except (Exception, TooLongError) as error:
                lines = traceback.format_exception(error)
                wrong.append(f"{kind} {number}: {''.join(lines)[-1800:]}")
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
            slowest = max(slowest, time.process_time() - began)
            if _held() - before > LIMIT_BYTES:
                wrong.append(f"{kind} {number}: {(_held() - before) >> 20} MB more than before")
                before = _held()
            grown = max(grown, _held() - before)
            if len(wrong) >= MOST_FAILURES:
                break
    return {
        "counts": counts,
        "wrong": wrong,
        "slowest_s": round(slowest, 2),
        "grown_mb": grown >> 20,
        "stop": number + 1,
    }


def _run(kind: str, first: int, stop: int) -> dict[str, Any]:
    """One batch in a child; a mutant that ends or holds it is told, and the rest goes on."""
    total: dict[str, Any] = {"counts": Counter(), "wrong": [], "slowest_s": 0.0, "grown_mb": 0}
    with tempfile.TemporaryDirectory() as name:
        at = Path(name) / "at"
        while first < stop:
            at.write_text(str(first))
            command = [sys.executable, "-m", "tests.fuzz", "--child", kind, str(first), str(stop), str(at)]
            child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            said = ""
            while True:
                try:
                    out, said = child.communicate(timeout=HANGS_S)
                    break
                except subprocess.TimeoutExpired:
                    if time.time() - at.stat().st_mtime > HANGS_S:
                        child.kill()
                        out, said = child.communicate()[0], "no end"
                        break
            if child.returncode == 0:
                done = json.loads(out.splitlines()[-1])
                total["counts"].update(done["counts"])
                total["wrong"] += done["wrong"]
                for key in ("slowest_s", "grown_mb"):
                    total[key] = max(total[key], done[key])
                first = done["stop"]
            else:
                number = int(at.read_text())
                total["wrong"].append(f"{kind} {number}: the process ended: {said[-1500:]}")
                first = number + 1
            if len(total["wrong"]) >= 3 * MOST_FAILURES:
                break
    return total | {"stop": first}


def _child(kind: str, first: str, stop: str, at: str) -> int:
    faulthandler.enable()
    warnings.simplefilter("error")
    import sleepbrux.signal.kernels  # noqa: F401  loaded before memory is counted

    pages = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    most = pages + LIMIT_BYTES + SPARE_BYTES + (2 << 30)
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    print(json.dumps(batch(kind, int(first), int(stop), Path(at))))
    return 0


def _kept(state: Path, *, resume: bool) -> dict[tuple[str, int], dict[str, Any]]:
    """Batches of earlier runs; without ``resume`` they are forgotten."""
    if not resume:
        state.unlink(missing_ok=True)
    lines = state.read_text("utf-8").splitlines() if state.is_file() else []
    return {(one["input"], one["first"]): one for one in map(json.loads, lines)}


def main() -> int:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("inputs", nargs="*", metavar="INPUT")
    parser.add_argument("--mutants", type=int, default=20_000, help="of each input")
    parser.add_argument("--resume", action="store_true", help="go on behind what the state file holds")
    parser.add_argument("--state", type=Path, default=Path(tempfile.gettempdir()) / "sleepbrux-fuzz.jsonl")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="begin no batch after these")
    parser.add_argument("--children", type=int, default=1)
    parser.add_argument("--again", nargs=2, metavar=("INPUT", "NUMBER"))
    parser.add_argument("--child", nargs=4, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        return _child(*given.child)
    if given.again:
        kind, number = given.again[0], int(given.again[1])
        warnings.simplefilter("error")
        return _again(kind, number)
    from tests.fuzz.inputs import INPUTS

    kinds = given.inputs or list(INPUTS)
    if unknown := set(kinds) - set(INPUTS):
        parser.error(f"no input {', '.join(unknown)}; there are {', '.join(INPUTS)}")
    kept = _kept(given.state, resume=given.resume)
    end = time.monotonic() + given.seconds
    tasks = [(k, first) for first in range(0, given.mutants, BATCH) for k in kinds if (k, first) not in kept]

    def one(task: tuple[str, int]) -> None:
        if time.monotonic() > end:
            return
        kind, first = task
        done = _run(kind, first, min(first + BATCH, given.mutants)) | {"input": kind, "first": first}
        with given.state.open("a", encoding="utf-8") as file:
            file.write(json.dumps(done) + "\n")
        kept[task] = done
        for text in done["wrong"]:
            print(text, flush=True)

    with ThreadPoolExecutor(given.children) as pool:
        list(pool.map(one, tasks))
    return _told(kinds, kept)


def _told(kinds: list[str], kept: dict[tuple[str, int], dict[str, Any]]) -> int:
    """Print what came of each input; 1 where something went wrong."""
    failures = 0
    for kind in kinds:
        mine = [done for (k, _), done in kept.items() if k == kind]
        counts: Counter[str] = Counter()
        for done in mine:
            counts.update(done["counts"])
        wrong = sum(len(done["wrong"]) for done in mine)
        failures += wrong
        n = sum(counts.values()) + wrong
        slowest = max((done["slowest_s"] for done in mine), default=0)
        grown = max((done["grown_mb"] for done in mine), default=0)
        print(
            f"{kind:9} {n:>6} mutants: {counts['result']:>6} results, {counts['refused']:>6} refused,"
            f" {wrong} wrong; slowest {slowest:.2f} s, {grown} MB grown at most"
        )
    return 1 if failures else 0


def _again(kind: str, number: int) -> int:
    from tests.fuzz.inputs import INPUTS, Place, mutant, outcome

    with tempfile.TemporaryDirectory() as name:
        place = Place(Path(name))
        data = mutant(kind, number, INPUTS[kind].seeds(place))
        print(data if len(data) < 20_000 else f"{len(data)} bytes")
        print(outcome(kind, data, place))
    return 0


if __name__ == "__main__":
    sys.exit(main())
