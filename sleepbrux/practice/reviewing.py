"""The nights of a study as the review serves them, in a process of their own: each with its own recording."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import secrets
import sys
import tempfile
import threading
from contextvars import ContextVar
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import journal_path
from sleepbrux.archive.nights import Due, why_not
from sleepbrux.core.errors import ArchiveError, SleepbruxError
from sleepbrux.core.files import RESULTS
from sleepbrux.practice.doing import DRAW, Question, Reply
from sleepbrux.practice.nights import NightRow, night_rows, stamp
from sleepbrux.review.guard import as_refusal, body_of, json_of
from sleepbrux.review.nights import Nights, Place
from sleepbrux.review.recordings import find_recording
from sleepbrux.review.server import review_api
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import Trace
from sleepbrux.scoring.night import Night
from sleepbrux.study.file import load_study

PROGRAM = "program"  # stands under the drawing of a sample
ASKED: ContextVar[Question] = ContextVar("ASKED")  # the request that is answered


class Draw(msgspec.Struct, frozen=True):
    """A sample that is to be drawn, or gone on with."""

    night: int
    size: int
    seed: int
    anew: bool = False


class Reviewing:
    """Nights to review, made anew when the study or one of its archives is another.

    Parameters
    ----------
    sampled
        Whether a sample of each is judged, without labels.
    """

    def __init__(self, *, sampled: bool = False) -> None:
        self._sampled = sampled
        self._lock = threading.Lock()
        self._state: object = None
        self._nights = Nights([], self._opened)

    def nights(self) -> Nights:
        """The nights of the study that is asked about, in the order of its file."""
        file = ASKED.get().file
        rows = night_rows(load_study(file), file.parent, file.parent / RESULTS)
        state = (file, stamp(file, *(row.archive for row in rows)))
        with self._lock:
            if state != self._state:
                self._nights.close()
                self._nights = Nights([_place(row) for row in rows], self._opened, most_open=1)
                self._state = state
            return self._nights

    def draw(self, wish: Draw) -> None:
        """Draw a sample of a night, or go on with its last one."""
        desk = self._made(self.nights().places[wish.night], seen=False)
        desk.begin_sample(wish.size, wish.seed, PROGRAM, anew=wish.anew)
        self._state = None  # the night is opened anew, with what was drawn

    def _opened(self, place: Place) -> ReviewSession:
        desk = self._made(place)
        if self._sampled:
            desk.begin_sample(ASKED.get().size, secrets.randbelow(2**31), PROGRAM, anew=False)
        return desk

    def _made(self, place: Place, *, seen: bool = True) -> ReviewSession:
        give_back()
        file = ASKED.get().file
        study = load_study(file)
        entry = next(n for n in study.night if n.id == place.name)
        night = load_night(place.archive)
        if why := why_not(night, place.archive, study, entry, Due(home=file.parent)):
            raise ArchiveError(why)
        night = on_disk(night)
        found = find_recording(night, place.archive, file) if seen else None
        trace = Trace(night, *(found or (None, ())))
        return ReviewSession(night, journal_path(place.archive), trace, sample=self._sampled)


class Desk:
    """The review without its pages: what these ask for, and what is decided."""

    def __init__(self) -> None:
        whole, sample = Reviewing(), Reviewing(sampled=True)

        async def draw(request: Request) -> Response:
            wish = await body_of(request, Draw, "a sample")
            if isinstance(wish, Response):
                return wish
            await run_in_threadpool(sample.draw, wish)
            return json_of({})

        self._served = Starlette(
            routes=[
                *review_api(whole.nights, "/api"),
                *review_api(sample.nights, "/api/sample"),
                Route(DRAW, draw, methods=["POST"]),
            ],
            exception_handlers={SleepbruxError: as_refusal, msgspec.MsgspecError: as_refusal},
        )

    async def answer(self, asked: Question) -> Reply:
        """Answer one request."""
        ASKED.set(asked)
        status, headers = 500, tuple[tuple[bytes, bytes], ...]()
        parts: list[bytes] = []
        scope: dict[str, Any] = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": asked.method,
            "scheme": "http",
            "path": asked.path,
            "raw_path": asked.path.encode(),
            "query_string": asked.query,
            "root_path": "",
            "headers": [],
            "server": None,
            "client": None,
        }

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": asked.body, "more_body": False}

        async def send(message: Any) -> None:
            nonlocal status, headers
            if message["type"] == "http.response.start":
                status, headers = message["status"], tuple(message["headers"])
            else:
                parts.append(message.get("body", b""))

        with contextlib.suppress(Exception):  # answered with 500 already
            await self._served(scope, receive, send)
        return Reply(status, headers, b"".join(parts))


def on_disk(night: Night) -> Night:
    """The night with its longest arrays in a file that is mapped, so that what is not looked at takes no memory."""
    frames = tuple(
        replace(f, energy=_mapped(f.energy), rectified=_mapped(f.rectified), stats=_mapped(f.stats))
        for f in night.swept.frames
    )
    return replace(night, swept=replace(night.swept, frames=frames))


def _mapped(values: NDArray[Any]) -> NDArray[Any]:
    if not values.size or os.name != "posix":  # elsewhere a file that is mapped cannot be deleted
        return values
    try:
        with tempfile.TemporaryFile() as file:
            values.tofile(file)
            file.flush()
            return np.memmap(file, dtype=values.dtype, mode="r", shape=values.shape).view(np.ndarray)
    except OSError:  # no room for it: then it stays in memory
        return values


def give_back() -> None:
    """Give memory of nights that were closed back to the system, where it can be told to."""
    gc.collect()
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def _place(row: NightRow) -> Place:
    fault = "" if row.scored else f"{row.id} is not scored yet; score it first"
    return Place(row.id, row.archive, fault=fault)
