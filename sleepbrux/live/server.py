"""The session over HTTP, for this machine and its reader only: the checks are those of the review.

The page holds one request open, over which points of the envelope come as they are made, a line each; what is asked
for comes by requests of its own.
"""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import AsyncIterator
from typing import Any

import msgspec
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.live.page import shell
from sleepbrux.live.protocol import REASONS
from sleepbrux.live.session import Session
from sleepbrux.live.words import CAUTIONS, PUT_IN, SAID
from sleepbrux.review.access import Entrance
from sleepbrux.review.guard import as_refusal, body_of, entrance_route, guard, guarded, json_of, refused

LOOK_S = 0.008
STATE_EVERY_S = 0.25
MOST_STREAMS = 8
MAIN = re.compile(r"<main[^>]*>(.*)</main>", re.DOTALL)


class Wish(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the page asks for."""

    what: str
    number: int = 0
    reason: str = ""


class _Answers:
    """What the page asks for."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.page, self.policy = shell()
        self.streams = 0

    def home(self, _: Request) -> Response:
        return Response(
            self.page, media_type="text/html; charset=utf-8", headers={"Content-Security-Policy": self.policy}
        )

    def fixed(self, _: Request) -> Response:
        screen = self.session.engine.screen
        return json_of(
            {
                "labels": screen.labels,
                "point_s": float(screen.hop / screen.rate),
                "cautions": CAUTIONS,
                "said": SAID,
                "put_in": [PUT_IN[True], PUT_IN[False]],
                "reasons": REASONS,
                "stream": self.session.engine.chosen.info.text,
            }
        )

    async def stream(self, request: Request) -> Response:
        if self.streams >= MOST_STREAMS:
            return refused(429, "too many windows look at this session; close one")
        return StreamingResponse(self._lines(request), media_type="application/x-ndjson")

    async def _lines(self, request: Request) -> AsyncIterator[bytes]:
        session, self.streams = self.session, self.streams + 1
        at, told_s = max(session.points - 1000, 0), 0.0
        try:
            while True:
                now = time.monotonic()
                line: dict[str, Any] = {}
                if session.points > at:
                    at, points = session.envelope_since(at)
                    line = {
                        "n": at,
                        "e": [[round(v, 2) for v in p] for p in points],
                        "at": 1000 * session.newest_s(),
                    }
                if now - told_s >= STATE_EVERY_S:
                    told_s = now
                    line["s"] = session.state()
                if line:
                    yield msgspec.json.encode(line) + b"\n"
                if session.closed and not line.get("e"):
                    return
                await asyncio.sleep(LOOK_S)
                if await request.is_disconnected():
                    return
        finally:
            self.streams -= 1

    async def do(self, request: Request) -> Response:
        asked = await body_of(request, Wish, "a wish")
        if isinstance(asked, Response):
            return asked
        try:
            await run_in_threadpool(lambda: self.session.command(asked.what, asked.number, asked.reason))
        except UsageError as error:
            return refused(422, str(error))
        return json_of(self.session.state())

    def state(self, _: Request) -> Response:
        return json_of(self.session.state())

    def result(self, _: Request) -> Response:
        session = self.session
        if not session.closed:
            return refused(409, "the session is not over")
        if session.result is None:
            return json_of({"html": "", "refusal": session.refusal, "files": []})
        from sleepbrux.report.clench_page import clench_page

        found = MAIN.search(clench_page(session.result, []))
        return json_of(
            {"html": found[1] if found else "", "refusal": "", "files": [p.name for p in session.written]}
        )


def application(session: Session, *, port: int, entrance: Entrance) -> Starlette:
    """The application that serves one session."""
    answers = _Answers(session)
    return Starlette(
        routes=[
            Route("/", answers.home),
            entrance_route(entrance),
            Route("/api/fixed", answers.fixed),
            Route("/api/stream", answers.stream),
            Route("/api/state", answers.state),
            Route("/api/do", answers.do, methods=["POST"]),
            Route("/api/result", answers.result),
        ],
        middleware=[guarded(guard(port, entrance))],
        exception_handlers={SleepbruxError: as_refusal},
    )
