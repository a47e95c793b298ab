"""Mutation testing of a room: ``python -m tests.mutation spans --resume``; the rooms stand in `rooms.py`.

cosmic-ray makes the mutants and keeps the results (extra ``mutation``). A process with the libraries loaded
is forked for each mutant, because starting pytest takes longer than the tests. Where a mutant changes
functions alone, the tests are collected once and the child gives those functions the mutant's code; any other
mutant is imported anew in the child. First the tests must pass without a mutant. Mutants of annotations are
left out and counted, for they are never evaluated. ``--sample N`` tries the first N of an order that ``--seed`` draws,
and counts those alone; a larger N later goes on in the same order. ``--survivors`` tries those again that survived,
``--write`` adds a line to ``results.md``.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import importlib.abc
import importlib.util
import os
import random
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.mutation.equivalents import equivalents, is_equivalent
from tests.mutation.mutants import ROOT, functions_of, mutated_source, places, put_into, within
from tests.mutation.rooms import ROOMS

if TYPE_CHECKING:
    from cosmic_ray.work_item import MutationSpec

    Jobs = Sequence[tuple[str, MutationSpec]]

OPTIONS = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--tb=no", "--no-header", "--no-summary"]
LEAST_LIMIT_S = 30.0
NO_MUTANT = 99
OUTCOMES = {0: "survived", NO_MUTANT: "incompetent"}  # neither killed nor alive: it could not be made
RESULTS = Path(__file__).with_name("results.md")


class _Mutated(importlib.abc.MetaPathFinder, importlib.abc.SourceLoader):
    """Imports one module from another text than that of its file."""

    def __init__(self, name: str, path: Path, text: str) -> None:
        self.name, self.path, self.text = name, path, text

    def find_spec(self, fullname: str, path: Any = None, target: Any = None) -> Any:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def get_filename(self, fullname: str) -> str:
        return str(self.path)

    def get_data(self, path: str | bytes) -> bytes:
        return self.text.encode() if str(path) == str(self.path) else Path(os.fsdecode(path)).read_bytes()

    def source_to_code(self, data: Any, path: Any, *, _optimize: int = -1) -> Any:
        """Compile without the compiler's warnings, such as of `is` beside a literal: a warning is no kill."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", SyntaxWarning)
            return compile(data, str(path), "exec", dont_inherit=True, optimize=_optimize)

    def path_stats(self, path: str) -> Any:
        raise OSError("compiled anew, so that no stored code is taken")


def _quiet() -> None:
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)


def _ended(child: int, limit_s: float) -> int:
    """0 where all tests passed in the child, `NO_MUTANT` where there was nothing to test, else another number."""
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return 1


def _forked(work: Callable[[], int], limit_s: float) -> int:
    child = os.fork()
    if not child:
        code = 1
        try:
            _quiet()
            code = work()
        finally:
            os._exit(code)
    return _ended(child, limit_s)


class Slice:
    """One room: its source, its tests, its pending mutants, and where results go."""

    def __init__(self, room: str, state: Path) -> None:
        self.file, self.tests = ROOMS[room]
        self.path = ROOT / self.file
        self.module = self.file.removesuffix(".py").replace("/", ".")
        self.source = self.path.read_text("utf-8")
        digest = hashlib.sha256(self.source.encode()).hexdigest()[:12]
        self.state = state / f"{room}-{digest}.sqlite"
        self.limit_s = LEAST_LIMIT_S
        self.until = float("inf")

    @property
    def over(self) -> bool:
        """Whether the time that was given is used up."""
        return time.monotonic() > self.until

    def pytest(self, *plugins: object) -> int:
        """Run the nearest tests in this process."""
        return int(pytest.main([*OPTIONS, *self.tests], plugins=list(plugins)))

    def text(self, mutation: MutationSpec | None) -> str:
        """The source, with the change where there is one."""
        return self.source if mutation is None else mutated_source(self.source, mutation)

    def try_anew(self, mutation: MutationSpec | None) -> int:
        """Outcome of a mutant that is imported anew."""

        def work() -> int:
            try:
                text = self.text(mutation)
            except BaseException:
                os._exit(NO_MUTANT)
            sys.meta_path.insert(0, _Mutated(self.module, self.path, text))
            return self.pytest()

        return _forked(work, self.limit_s + LEAST_LIMIT_S)


class InForks:
    """A pytest plugin: collects once, then runs the collected tests in a child for each mutant."""

    def __init__(self, own: Slice, mutants: Jobs, say: Callable[[str, int], None]) -> None:
        self.own, self.mutants, self.say = own, mutants, say
        self.in_child = False

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool | None:
        """In the parent all children, in a child the usual loop."""
        with (
            warnings.catch_warnings()
        ):  # imported at the end of a run its warning would make that run an error
            warnings.simplefilter("ignore")
            import hypothesis  # noqa: F401
        functions = functions_of(sys.modules[self.own.module])
        gc.freeze()
        for job, mutation in (("", None), *self.mutants):
            if self.own.over:
                break
            child = os.fork()
            if not child:
                self.in_child = True
                try:
                    _quiet()
                    session.config.pluginmanager.unregister(name="terminalreporter")
                    put_into(functions, str(self.own.path), self.own.source, self.own.text(mutation))
                except BaseException:
                    os._exit(NO_MUTANT)
                return None
            began = time.monotonic()
            code = _ended(child, self.own.limit_s if job else 600.0)
            if not job:
                if code:
                    raise pytest.UsageError("the tests fail without a mutant")
                self.own.limit_s = max(LEAST_LIMIT_S, 10 * (time.monotonic() - began))
            else:
                self.say(job, code)
        return True

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session, exitstatus: int) -> None:
        """A child ends here; nothing of the parent is torn down in it."""
        if self.in_child:
            os._exit(int(bool(session.testsfailed or exitstatus)))


def _results(own: Slice, pairs: Jobs, say: Callable[[str, int], None]) -> None:
    """Try (job, text) each."""
    bodies = places(own.source)[1]
    inside = [pair for pair in pairs if within(pair[1], bodies)]
    anew = [pair for pair in pairs if pair not in inside]
    if inside:
        child = os.fork()
        if not child:
            code = 3
            try:
                code = own.pytest(InForks(own, inside, say))
            finally:
                sys.stdout.flush()  # what pytest says went wrong
                os._exit(code)
        _, status = os.waitpid(child, 0)
        if os.waitstatus_to_exitcode(status) not in {0, 5}:  # 5: this process itself ran no test
            how = os.waitstatus_to_exitcode(status)
            raise SystemExit(f"{own.file}: the tests fail without a mutant, or the run was ended ({how})")
    if anew and not own.over and own.try_anew(None):
        raise SystemExit(f"{own.file}: the tests fail without a mutant")
    for job, mutation in anew:
        if own.over:
            break
        say(job, own.try_anew(mutation))


def _changed_line(source: str, text: str) -> tuple[str, str]:
    """First line that differs, before and after."""
    pairs = zip(source.splitlines(), text.splitlines(), strict=False)
    return next(((a.strip(), b.strip()) for a, b in pairs if a != b), ("", ""))


def drawn(items: Mapping[str, MutationSpec], seed: int) -> list[str]:
    """Jobs in an order that a seed draws; ids differ from run to run, places do not."""
    places_of = {
        job: (one.operator_name, one.occurrence, repr(sorted(one.operator_args.items())))
        for job, one in items.items()
    }
    jobs = sorted(items, key=places_of.__getitem__)
    random.Random(seed).shuffle(jobs)
    return jobs


@dataclass(frozen=True)
class Wanted:
    """What is tried of a room, and for how long."""

    resume: bool
    again: bool
    minutes: float
    sample: int | None
    seed: int


def run(room: str, state: Path, wanted: Wanted) -> Counter[str]:
    """Try what is pending, tell what survived, and count."""
    from cosmic_ray.commands.init import init
    from cosmic_ray.work_db import use_db
    from cosmic_ray.work_item import TestOutcome, WorkerOutcome, WorkResult

    own = Slice(room, state)
    own.until = time.monotonic() + 60 * wanted.minutes
    known = equivalents()
    if not wanted.resume and not wanted.again:
        own.state.unlink(missing_ok=True)
    with use_db(own.state) as db:
        if not db.num_work_items:
            init([own.path], db, {})
        items = {item.job_id: item.mutations[0] for item in db.work_items}
        types, _ = places(own.source)
        left_out = {job for job, one in items.items() if within(one, types)}
        done = {job: result.test_outcome for job, result in db.results}
        tried = [job for job in drawn(items, wanted.seed) if job not in left_out][: wanted.sample]

        def say(job: str, code: int) -> None:
            outcome = OUTCOMES.get(code, "killed")
            with use_db(own.state) as here:  # another process than the one that opened the session
                here.set_result(job, WorkResult(WorkerOutcome.NORMAL, test_outcome=TestOutcome(outcome)))

        pending = [
            (job, items[job])
            for job in tried
            if job not in done or (wanted.again and done[job] == TestOutcome.SURVIVED)
        ]
        print(
            f"{room}: {len(items)} mutants, {len(left_out)} of annotations, {len(pending)} to try", flush=True
        )
        _results(own, pending, say)
        done = {job: result.test_outcome for job, result in db.results}
    counts: Counter[str] = Counter(mutants=len(items), annotations=len(left_out))
    for job, outcome in ((job, done[job]) for job in tried if job in done):
        counts[outcome.value] += 1
        if outcome == TestOutcome.SURVIVED:
            before, after = _changed_line(own.source, own.text(items[job]))
            operator = items[job].operator_name
            equivalent = is_equivalent(known, own.file, operator, before, after)
            counts["equivalent"] += equivalent
            if not equivalent:
                print(f"survived: {operator}, line {items[job].start_pos[0]}\n  {before}\n  {after}")
    return counts


def row(room: str, counts: Counter[str]) -> str:
    """One line of the table of results."""
    tried = counts["killed"] + counts["survived"]
    share = f"{100 * counts['killed'] / tried:.1f}" if tried else "–"
    return (
        f"| {room} | {ROOMS[room][0]} | {counts['mutants']} | {counts['annotations']} | {tried} | {counts['killed']} "
        f"| {counts['survived']} | {share} | {counts['equivalent']} | {counts['survived'] - counts['equivalent']} |"
    )


def main() -> int:
    """Run the rooms that are asked for, one after the other."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("rooms", nargs="*", choices=[*ROOMS, []], metavar="ROOM", help=", ".join(ROOMS))
    parser.add_argument("--resume", action="store_true", help="go on where the last run ended")
    parser.add_argument("--survivors", action="store_true", help="as --resume, and try survivors again")
    parser.add_argument(
        "--minutes", type=float, default=float("inf"), help="of each room at most; 0 only tells"
    )
    parser.add_argument("--sample", type=int, help="mutants of each room at most, drawn")
    parser.add_argument("--seed", type=int, default=1, help="of the draw [default: 1]")
    parser.add_argument("--state", type=Path, default=Path(tempfile.gettempdir()) / "sleepbrux-mutation")
    parser.add_argument("--write", action="store_true", help="add the lines to results.md")
    args = parser.parse_args()
    os.environ["NUMBA_DISABLE_JIT"] = "1"
    os.chdir(ROOT)
    import h5py  # noqa: F401  loaded before the forks
    import msgspec  # noqa: F401
    import numba  # noqa: F401
    import scipy.signal
    import scipy.stats  # noqa: F401

    args.state.mkdir(parents=True, exist_ok=True)
    wanted = Wanted(args.resume, args.survivors, args.minutes, args.sample, args.seed)
    for room in args.rooms or ROOMS:
        line = (
            row(room, run(room, args.state, wanted)) + f" {f'seed {args.seed}' if args.sample else 'all'} |"
        )
        print(line)
        if args.write:
            with RESULTS.open("a", encoding="utf-8") as file:
                file.write(f"{line} {datetime.now(UTC):%Y-%m-%d} |\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
