"""The page over HTTP, for this machine and this reader only: screens, actions, dropped files, files shown.

Guarded as the review is, which is a part of it. Nothing in an address or a log names a person, a file or a
night: screens are numbered, files stand under random words.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import msgspec
from msgspec import Struct
from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import Route

from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.practice.doing import Question, Reply
from sleepbrux.practice.page import shell
from sleepbrux.practice.running import KNOCK, Answer, Knock
from sleepbrux.practice.state import OtherStudyError, Practice, Served
from sleepbrux.practice.upload import receiving
from sleepbrux.review.access import HOST, Entrance
from sleepbrux.review.guard import (
    ENTER,
    MOST_BYTES,
    as_refusal,
    body_of,
    entrance_route,
    guard,
    guarded,
    json_of,
    page_route,
    refused,
)

LONG_S = 25.0
TURN = "x-study"  # by which a window says which study it shows
MOST_NAME = 1000
TYPES = {
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
    ".json": "application/json",
    ".csv": "text/csv; charset=utf-8",
}
# a page of results may run its own script, which its own policy names, and may reach nothing of this page
BOXED = "sandbox allow-scripts allow-modals allow-popups allow-downloads; frame-ancestors 'self'"
# a letter has no script; the page around it asks it to be printed
LETTER = "script-src 'none'; connect-src 'none'; frame-ancestors 'self'"


class Asked(Struct, frozen=True, forbid_unknown_fields=True):
    """What a person does: an action, its fields as they were typed, and the screen it was done on."""

    action: str
    fields: dict[str, str] = {}
    at: str = "nights"


class Bell:
    """Tells every open page that there is something new, from whatever thread; costs nothing while silent."""

    def __init__(self) -> None:
        self.count = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._event: asyncio.Event | None = None

    def ring(self) -> None:
        """Something is new."""
        self.count += 1
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        if self._event is not None:
            self._event.set()
        self._event = asyncio.Event()

    async def heard(self, since: int, seconds: float) -> int:
        """The count once it is another than ``since``, or after some seconds."""
        self._loop = asyncio.get_running_loop()
        if self._event is None:
            self._event = asyncio.Event()
        if self.count == since:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._event.wait(), seconds)
        return self.count


class Page:
    """What the page asks for.

    Parameters
    ----------
    secret
        By which a second start is let in.
    show
        Opens the browser.
    quit
        Ends the program.
    """

    def __init__(
        self, practice: Practice, entrance: Entrance, port: int, *, secret: str, show: Callable[[], None]
    ) -> None:
        self.practice, self.entrance, self.port = practice, entrance, port
        self.secret, self.show = secret, show
        self.bell = Bell()
        practice.bell = self.bell.ring
        self.html, self.policy = shell()
        self.quit: Callable[[], None] = lambda: None

    def home(self, _: Request) -> Response:
        """The page without any data."""
        return Response(
            self.html, media_type="text/html; charset=utf-8", headers={"Content-Security-Policy": self.policy}
        )

    def screen(self, request: Request) -> Response:
        """A screen."""
        return json_of(self._screen(request.query_params.get("at", "nights")))

    def _screen(self, at: str) -> dict[str, Any]:
        from sleepbrux.practice.screens import screen

        count = self.bell.count
        with self.practice.lock:
            turn = self.practice.turn
            shown = screen(self.practice, at)
        return {
            "html": shown.html,
            "title": shown.title,
            "at": shown.at,
            "study": turn,
            "count": count,
            "job": self._job(),
        }

    def _job(self) -> dict[str, Any] | None:
        job = self.practice.worker.current
        return None if job is None else {"about": job.about, "share": round(job.share, 3), "said": job.said}

    async def changes(self, request: Request) -> Response:
        """What is new since; waits until something is."""
        text = request.query_params.get("since", "0")
        since = int(text) if text.isdecimal() and len(text) < 12 else -1
        count = await self.bell.heard(since, LONG_S)
        last = self.practice.worker.last
        return json_of({"count": count, "job": self._job(), "last": last.id if last else 0})

    async def do(self, request: Request) -> Response:
        """Something that a person does."""
        asked = await body_of(request, Asked, "an action")
        if isinstance(asked, Response):
            return asked
        return await run_in_threadpool(self._do, asked, request.headers.get(TURN, ""))

    def _do(self, asked: Asked, turn: str) -> Response:
        from sleepbrux.practice.actions import ACTIONS

        action = ACTIONS.get(asked.action)
        if action is None:
            return refused(400, f"there is no action {asked.action!r}")
        try:
            with self.practice.lock:
                self.practice.meant(turn)
                done = action(self.practice, asked.fields)
        except SleepbruxError as error:
            return refused(422, str(error))
        except OSError as error:
            return refused(
                507, f"it was not written: {error.strerror}; see to the disk or the folder, then try again"
            )
        self.bell.ring()
        if done.ask:
            return json_of({"ask": done.ask, "answers": done.answers, "action": asked.action})
        return json_of(self._screen(done.at or asked.at) | {"told": done.told, "go": done.go})

    async def upload(self, request: Request) -> Response:
        """One dropped file, into the folder of the study; it is taken into the study by `arrive`."""
        said = unquote(request.headers.get("x-file-name", ""))[:MOST_NAME]
        length = request.headers.get("content-length", "")
        try:
            self.practice.meant(request.headers.get(TURN, ""))
            if not length.isdecimal():
                raise UsageError("a file without a stated length cannot be taken")
            folder = self.practice.study_file.parent
            with receiving(folder, said, int(length)) as incoming:
                async for part in request.stream():
                    if part:
                        await run_in_threadpool(incoming.write, part)
        except ClientDisconnect:
            return refused(408, "the file did not come to its end; drop it again")
        except SleepbruxError as error:
            return refused(422, str(error))
        except OSError as error:
            return refused(
                507, f"the file was not written: {error.strerror}; see to the disk, then drop it again"
            )
        if not incoming.twin:
            self.practice.dropped.add(folder / incoming.name)
        return json_of({"name": incoming.name, "twin": incoming.twin})

    async def arrive(self, request: Request) -> Response:
        """What was dropped becomes a part of the study; nights that were planned wait for a person's choice."""

        def take() -> dict[str, Any]:
            from sleepbrux.practice.arriving import take_in

            practice = self.practice
            with practice.lock:
                practice.meant(request.headers.get(TURN, ""))
                told = take_in(practice)
            return self._screen("nights") | {"told": told}

        try:
            answer = await run_in_threadpool(take)
        except SleepbruxError as error:
            return refused(422, str(error))
        self.bell.ring()
        return json_of(answer)

    def file(self, request: Request) -> Response:
        """A file that a screen names."""
        served = self.practice.served(request.path_params["word"])
        if served is None or (served.path is not None and not served.path.is_file()):
            return refused(404, "this file is not there any more; load the page again")
        return _file_response(served)

    async def knock(self, request: Request) -> Response:
        """A second start."""
        from sleepbrux.practice.actions import open_path

        asked = await body_of(request, Knock, "a knock")
        if isinstance(asked, Response):
            return asked
        if not secrets.compare_digest(asked.secret.encode(), self.secret.encode()):
            return refused(403, "this is not the page of this user")
        try:
            if asked.folder:
                await run_in_threadpool(open_path, self.practice, Path(asked.folder))
        except SleepbruxError as error:
            return refused(422, str(error))
        self.bell.ring()
        if asked.opened:
            await run_in_threadpool(self.show)
        return json_of(Answer(f"http://{HOST}:{self.port}/", self.entrance.code()))

    async def end(self, _: Request) -> Response:
        """Quit."""
        asyncio.get_running_loop().call_later(0.2, self.quit)
        return json_of({"told": "ended; this window can be closed"})


def _of_another_study(_: Request, error: Exception) -> Response:
    return refused(412, str(error))


def _file_response(served: Served) -> Response:
    if served.together:
        return _archive(served)
    if served.path is None:
        return Response(served.text, media_type=TYPES[".html"], headers=_headers(LETTER))
    kind = TYPES.get(served.path.suffix, "application/octet-stream")
    letter = served.path.name == "letter.html"
    headers = _headers(LETTER if letter else BOXED) if kind == TYPES[".html"] else {}
    if served.name:
        headers["Content-Disposition"] = f"attachment; filename*=UTF-8''{quote(served.name)}"
    return FileResponse(served.path, media_type=kind, headers=headers)


def _archive(served: Served) -> Response:
    from sleepbrux.practice.packing import PART, packed

    whole = packed(path for path in served.together if path.is_file())
    size = whole.seek(0, 2)
    whole.seek(0)
    headers = {
        "Content-Disposition": f"attachment; filename*=UTF-8''{quote(served.name)}",
        "Content-Length": str(size),
    }
    parts = iter(lambda: whole.read(PART), b"")
    return StreamingResponse(
        parts, media_type="application/zip", headers=headers, background=BackgroundTask(whole.close)
    )


def _headers(policy: str) -> dict[str, str]:
    return {"Content-Security-Policy": policy, "X-Frame-Options": "SAMEORIGIN"}


class Review:
    """What the review in this page asks for, answered by a process of its own for the study that the window shows."""

    def __init__(self, practice: Practice) -> None:
        self._practice = practice

    async def answer(self, request: Request) -> Response:
        """Answer one request."""
        body = b""
        try:
            async for part in request.stream():
                body += part
                if len(body) > MOST_BYTES:
                    return refused(413, f"a decision is at most {MOST_BYTES} bytes long")
        except ClientDisconnect:
            return refused(408, "the decision did not come to its end")
        due, turn = await run_in_threadpool(self._asked, request, body)
        answer = await asyncio.wrap_future(due)
        response = Response(answer.body, answer.status)
        response.raw_headers = [*answer.headers, (TURN.encode(), turn.encode())]
        return response

    def _asked(self, request: Request, body: bytes) -> tuple[Future[Reply], str]:
        practice, url = self._practice, request.url
        with practice.lock:
            practice.meant(request.headers.get(TURN, ""))
            asked = Question(
                practice.study_file, request.method, url.path, url.query.encode(), body, practice.sample_size
            )
            return practice.reviewer.ask(asked), practice.turn

    def routes(self) -> list[Route]:
        """Its pages and what they ask for."""
        methods = {"decide": ["POST"]}
        return [
            page_route("/review", "/#nights"),
            page_route("/sample", "/#nights", "/api/sample"),
            *(
                Route(f"{api}/{what}", self.answer, methods=methods.get(what))
                for api in ("/api", "/api/sample")
                for what in ("nights", "night", "state", "progress", "trace", "decide")
            ),
        ]


def application(page: Page) -> Starlette:
    """The application that serves the page, the review in it and its files."""
    check = guard(page.port, page.entrance, (ENTER, KNOCK))
    return Starlette(
        routes=[
            Route("/", page.home),
            Route("/api/screen", page.screen),
            Route("/api/changes", page.changes),
            Route("/api/do", page.do, methods=["POST"]),
            Route("/api/upload", page.upload, methods=["PUT"]),
            Route("/api/arrive", page.arrive, methods=["POST"]),
            Route("/api/quit", page.end, methods=["POST"]),
            Route(KNOCK, page.knock, methods=["POST"]),
            Route("/file/{word}", page.file),
            entrance_route(page.entrance),
            *Review(page.practice).routes(),
        ],
        middleware=[guarded(check)],
        exception_handlers={
            OtherStudyError: _of_another_study,
            SleepbruxError: as_refusal,
            UsageError: as_refusal,
            msgspec.MsgspecError: as_refusal,
        },
    )
