"""A process of its own in which the night under review is open; it ends when nobody has looked for a while.

A night takes far more memory than the page, and so does the code that draws it. Requests of the review go to that
process, each with the study that its window shows, and its answers come back.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import signal
import threading
from concurrent.futures import Future, InvalidStateError
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.practice.doing import Question, Reply
from sleepbrux.practice.worker import end_with_parent

REST_S = 300.0
ENDED = (
    "the process that shows the nights ended, perhaps for want of memory; what was acknowledged is on disk: load "
    "this page again"
)


class DeskEndedError(SleepbruxError):
    """The process ended before it answered."""


def serve(line: Connection) -> None:
    """What the process does: answers, several at a time, until it is sent nothing or its parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    asyncio.run(_answer_all(line))


async def _answer_all(line: Connection) -> None:
    from sleepbrux.practice.reviewing import Desk

    desk, sending, due = Desk(), threading.Lock(), set[asyncio.Task[None]]()

    async def one(number: int, asked: Question) -> None:
        answer = await desk.answer(asked)
        with sending:
            line.send((number, answer))

    with contextlib.suppress(EOFError, OSError):
        while (sent := await asyncio.to_thread(line.recv)) is not None:
            task = asyncio.create_task(one(*sent))
            due.add(task)
            task.add_done_callback(due.discard)


class Reviewer:
    """The process, started when something is asked of it.

    Parameters
    ----------
    rest_s
        It ends when nothing was asked for so long.
    """

    def __init__(self, rest_s: float = REST_S) -> None:
        self._rest_s = rest_s
        self._lock = threading.Lock()
        self._numbers = itertools.count()
        self._due: dict[int, Future[Reply]] = {}
        self._process: Any = None
        self._line: Connection | None = None

    @property
    def process_id(self) -> int | None:
        """Of the process, where there is one."""
        process = self._process
        return process.pid if process is not None else None

    def ask(self, asked: Question) -> Future[Reply]:
        """Have a request answered; the answer once it is there, or `DeskEndedError`."""
        future: Future[Reply] = Future()
        with self._lock:
            number = next(self._numbers)
            self._due[number] = future
            try:
                self._started().send((number, asked))
            except OSError:
                self._close()
        return future

    def stop(self) -> None:
        """End the process."""
        with self._lock:
            self._close()

    def _started(self) -> Connection:
        if self._line is None:
            spawn = get_context("spawn")
            self._line, theirs = spawn.Pipe()
            self._process = spawn.Process(target=serve, args=(theirs,), daemon=True)
            self._process.start()
            theirs.close()
            threading.Thread(target=self._read, args=(self._line,), name="desk", daemon=True).start()
        return self._line

    def _read(self, line: Connection) -> None:
        """Take answers as they come; nothing for a while and nothing due ends the process."""
        while True:
            try:
                came: tuple[int, Reply] | None = line.recv() if line.poll(self._rest_s) else None
            except (EOFError, OSError, TypeError):  # TypeError: closed by `stop` meanwhile
                with self._lock:
                    if line is self._line:
                        self._close()
                return
            with self._lock:
                if line is not self._line:
                    return
                if came is not None:
                    with contextlib.suppress(InvalidStateError):  # nobody waits for it any more
                        self._due.pop(came[0]).set_result(came[1])
                elif not self._due:
                    self._close()
                    return

    def _close(self) -> None:
        """End the process, if any; what is due gets no answer. The lock is held."""
        line, process, due = self._line, self._process, self._due
        self._line, self._process, self._due = None, None, {}
        if line is not None and process is not None:
            with contextlib.suppress(OSError):
                line.send(None)
            process.join(1)
            if process.is_alive():
                process.kill()
                process.join()
            process.close()
            line.close()
        for future in due.values():
            with contextlib.suppress(InvalidStateError):
                future.set_exception(DeskEndedError(ENDED))
