"""One process that does what takes long, one job after the other; a crash there is a message.

The process ends with this one, and by itself when nothing has been asked of it for a while, so that an idle
page costs no processor and little memory. Cancelling ends the process; what was written stays whole, because
every file gets its name when it is done.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing import connection, get_context, parent_process
from multiprocessing.connection import Connection
from typing import Any, Literal

from sleepbrux.core.errors import SleepbruxError

State = Literal["waiting", "running", "done", "failed", "cancelled"]
IDLE_S = 60.0
BEHIND = ("marks", "look", "check")


@dataclass(eq=False)
class Job:
    """One thing to be done, and how far it is.

    Attributes
    ----------
    kind, given
        Function of `jobs.JOBS`, and what it is given.
    about
        What is being done, for people.
    said
        The part that is being worked on.
    error
        Why it was not done, in one sentence.
    """

    id: int
    kind: str
    given: dict[str, Any]
    about: str
    state: State = "waiting"
    share: float = 0.0
    said: str = ""
    error: str = ""
    result: Any = None
    done: Callable[[Job], None] | None = field(default=None, repr=False)

    @property
    def over(self) -> bool:
        """Whether nothing more happens to it."""
        return self.state in ("done", "failed", "cancelled")


def serve(line: Connection) -> None:
    """What the process does: jobs that it is sent, until it is sent nothing or its parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    from sleepbrux.practice.jobs import JOBS

    with contextlib.suppress(EOFError, OSError):
        while (asked := line.recv()) is not None:
            kind, given = asked

            def say(share: float, text: str = "") -> None:
                line.send(("progress", share, text))

            try:
                line.send(("done", JOBS[kind](say, **given)))
            except (SleepbruxError, OSError) as error:
                line.send(("failed", _sentence(error)))
            except Exception as error:  # a fault of the program is told, and the page goes on
                line.send(("failed", f"this is a fault of the program: {type(error).__name__}: {error}"))


def _sentence(error: Exception) -> str:
    if isinstance(error, OSError):
        return f"{os.path.basename(error.filename or 'a file')}: {error.strerror or error}"  # noqa: PTH119
    return str(error)


def end_with_parent() -> None:
    """Wait for the end of the parent, and end with it."""
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


class Worker:
    """The process and its jobs.

    Parameters
    ----------
    changed
        Called, from another thread, whenever a job comes further.
    """

    def __init__(self, changed: Callable[[], None], idle_s: float = IDLE_S) -> None:
        self._changed, self._idle_s = changed, idle_s
        self._condition = threading.Condition()
        self._due: deque[Job] = deque()
        self._ids = itertools.count(1)
        self._process: Any = None
        self._line: Connection | None = None
        self._ended = False
        self.current: Job | None = None
        self.last: Job | None = None
        self._thread = threading.Thread(target=self._work, name="worker", daemon=True)
        self._thread.start()

    @property
    def process_id(self) -> int | None:
        """Of the process, where there is one."""
        process = self._process
        return process.pid if process is not None else None

    def ask(self, kind: str, about: str, *, done: Callable[[Job], None] | None = None, **given: Any) -> Job:
        """Have something done; a job of the same kind and things that is still waiting serves for both."""
        with self._condition:
            twin = next((j for j in self._due if (j.kind, j.given) == (kind, given)), None)
            if twin is not None:
                return twin
            job = Job(next(self._ids), kind, given, about, done=done)
            if kind in BEHIND:
                self._due.append(job)
            else:  # what a person waits for comes before what the page does by itself
                place = next((k for k, j in enumerate(self._due) if j.kind in BEHIND), len(self._due))
                self._due.insert(place, job)
            self._condition.notify_all()
        self._changed()
        return job

    def busy(self, *kinds: str) -> bool:
        """Whether a job (of these kinds) is waiting or running."""
        with self._condition:
            jobs = [*self._due, *([self.current] if self.current else [])]
        return any(not kinds or job.kind in kinds for job in jobs)

    def cancel(self) -> None:
        """End what is being done, and forget what waits."""
        with self._condition:
            for job in self._due:
                job.state = "cancelled"
            self._due.clear()
            if self.current is not None:
                self.current.state = "cancelled"
                self._kill()
        self._changed()

    def stop(self) -> None:
        """End the process and take nothing more."""
        with self._condition:
            self._ended = True
            self._due.clear()
            self._kill()
            self._condition.notify_all()

    def _kill(self) -> None:
        if self._process is not None:
            self._process.kill()

    def _work(self) -> None:
        while True:
            with self._condition:
                if not self._condition.wait_for(lambda: self._due or self._ended, self._idle_s):
                    self._close()
                    continue
                if self._ended:
                    self._close()
                    return
                job = self.current = self._due.popleft()
                job.state = "running"
                line = self._started()
            self._changed()
            self._follow(job, line)
            with self._condition:
                self.current, self.last = None, job
            if job.done is not None and job.error == "" and job.result is not None:
                job.done(job)
            self._changed()

    def _started(self) -> Connection:
        if self._process is None or not self._process.is_alive():
            self._close()
            spawn = get_context("spawn")
            self._line, theirs = spawn.Pipe()
            self._process = spawn.Process(target=serve, args=(theirs,), daemon=True)
            self._process.start()
            theirs.close()
        assert self._line is not None  # noqa: S101
        return self._line

    def _follow(self, job: Job, line: Connection) -> None:
        try:
            line.send((job.kind, job.given))
            while not job.over:
                answer = line.recv()
                if answer[0] == "progress":
                    job.share, job.said = answer[1], answer[2] or job.said
                elif job.state == "running":
                    job.state = answer[0]
                    job.result, job.error = (answer[1], "") if answer[0] == "done" else (None, answer[1])
                self._changed()
            if job.state == "cancelled":
                self._close()
        except (EOFError, OSError):
            self._process.join(5)
            if job.state == "running":
                job.state = "failed"
                job.error = (
                    f"the process that was at work ended (code {self._process.exitcode}), perhaps for want of "
                    "memory; what was written before is whole: try again"
                )
            self._close()

    def _close(self) -> None:
        """End the process, if any."""
        if self._line is not None:
            with contextlib.suppress(OSError):
                self._line.send(None)
            self._line.close()
        if self._process is not None:
            self._process.join(1)
            if self._process.is_alive():
                self._process.kill()
                self._process.join()
            self._process.close()
        self._process = self._line = None
