"""Worker processes on this machine: spawned, one night each, one thread each.

Own processes rather than a ready-made pool, because a pool that loses a worker cannot say which night
it had. Here a dead worker costs its own night a second try, alone, and no other night anything.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from multiprocessing import connection, get_context, parent_process
from multiprocessing.connection import Connection
from pathlib import Path

from sleepbrux.batch.ledger import LedgerRow, tidy
from sleepbrux.batch.tasks import Task

ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMBA_NUM_THREADS",
    "SLEEPBRUX_THREADS",
)


def serve(line: Connection, out: Path, *, speaks: bool) -> None:
    """What a worker does: score what it is sent, until it is sent nothing or its parent is gone.

    One of them ``speaks``: it says on the error stream that code has to be compiled first.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    from sleepbrux.batch.work import score_task
    from sleepbrux.signal.startup import load_kernels

    load_kernels(_say if speaks else None, many_nights=True)
    with contextlib.suppress(EOFError, OSError):
        while (task := line.recv()) is not None:
            line.send(score_task(task, out))


def _say(notice: str) -> None:
    sys.stderr.write(f"{notice}\n")


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


@contextlib.contextmanager
def _quiet_start() -> Iterator[None]:
    """Children start with one thread each and deaf to Ctrl-C, which the parent answers for all."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    masked = hasattr(signal, "pthread_sigmask")
    if masked:
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
        if masked:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


class _Worker:
    def __init__(self, out: Path, *, speaks: bool) -> None:
        spawn = get_context("spawn")
        self.line, theirs = spawn.Pipe()
        self.process = spawn.Process(target=serve, args=(theirs, out), kwargs={"speaks": speaks}, daemon=True)
        with _quiet_start():
            self.process.start()
        theirs.close()
        self.task: Task | None = None

    def give(self, task: Task) -> None:
        self.task = task
        with contextlib.suppress(OSError):  # a dead worker shows when its answer is awaited
            self.line.send(task)

    def take(self) -> tuple[Task, LedgerRow | None]:
        """Its night and the answer; None where it died instead."""
        task, row = self.task, None
        assert task is not None  # noqa: S101
        with contextlib.suppress(EOFError, OSError):
            row = self.line.recv()
        if row is None:
            self.process.join()
        self.task = None
        return task, row

    def stop(self) -> None:
        """End it at once; a night in its hands stays undone."""
        self.process.terminate()
        self.process.join(5)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()
        self.line.close()


def run_pool(tasks: Sequence[Task], out: Path, workers: int) -> Iterator[tuple[Task, LedgerRow]]:
    """Score the tasks with so many processes; yields each as it is done.

    The night of a worker that dies is tried once more after all others, alone.
    """
    crew = _Crew(tasks, out, workers)
    try:
        yield from crew.together()
        yield from crew.alone()
    finally:
        crew.stop()


class _Crew:
    """Workers, the nights that wait, and those whose worker died."""

    def __init__(self, tasks: Sequence[Task], out: Path, workers: int) -> None:
        self.out = out
        self.waiting = deque(tasks)
        self.orphaned: list[Task] = []
        self.workers: list[_Worker] = []
        self.most = min(workers, len(tasks))

    def together(self) -> Iterator[tuple[Task, LedgerRow]]:
        """Every night once; a dead worker is replaced while nights wait."""
        while self.waiting or any(w.task for w in self.workers):
            while self.waiting and len(self.workers) < self.most:
                self.workers.append(_Worker(self.out, speaks=not self.workers))
            for worker in self.workers:
                if worker.task is None and self.waiting:
                    worker.give(self.waiting.popleft())
            busy = {w.line: w for w in self.workers if w.task}
            for line in connection.wait(list(busy)):
                worker = busy[line]  # type: ignore[index]
                task, row = worker.take()
                if row is None:
                    self.orphaned.append(task)
                    self.workers.remove(worker)
                    worker.stop()
                else:
                    yield task, row

    def alone(self) -> Iterator[tuple[Task, LedgerRow]]:
        """Each night whose worker died, in a worker of its own with no other beside it."""
        if self.orphaned:
            self.stop()
        while self.orphaned:
            worker = _Worker(self.out, speaks=False)
            self.workers = [worker]
            worker.give(self.orphaned[0])
            task, row = worker.take()
            self.stop()
            self.orphaned.pop(0)
            yield task, row or lost(task, self.out, worker.process.exitcode)

    def stop(self) -> None:
        """End all workers, and remove what they were writing."""
        undone = [*(w.task for w in self.workers if w.task), *self.orphaned]
        for worker in self.workers:
            worker.stop()
        self.workers = []
        tidy(self.out, undone)


def lost(task: Task, out: Path, code: int | None) -> LedgerRow:
    """The row of a night that ended its worker twice."""
    from sleepbrux.batch.work import failed

    how = f"by signal {-code}" if code is not None and code < 0 else f"with code {code}"
    return failed(
        task,
        out,
        f"{task.recording.name}: the worker process ended twice ({how}), the second time with "
        "no other night at the same time; memory may have run out",
    )
