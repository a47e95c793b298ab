"""The page and its data over HTTP, for this machine and this reader only.

Served on the loopback address. Every request must name it as its host, so that a page of another site
that was led here by a false name server is refused; every request for data must carry a random token,
which the page gets once for a pass or a code (`sleepbrux.review.access`) and which is never part of a
request line; every decision must come from the page's own origin. The page may run and style itself by
what it holds, and may ask nobody else.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Collection, Mapping
from typing import Any, TypeVar

import msgspec
from starlette.applications import Starlette
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from sleepbrux.archive.journal.file import ConflictError, DecisionDraft
from sleepbrux.core.errors import JournalError, SleepbruxError
from sleepbrux.review.access import Entrance
from sleepbrux.review.nights import Nights
from sleepbrux.review.page import shell
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import MOST_PIXELS, packed

HOST = "127.0.0.1"
TOKEN_HEADER = "x-review-token"
MOST_BYTES = 20_000
ENTER = "/api/enter"
HEADERS = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}
Next = Callable[[Request], Awaitable[Response]]


class Decision(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the page sends: the decision, by whom, and after how many others.

    ``place`` names an item of a sample instead of ``draft.target``.
    """

    seen: int
    who: str
    draft: DecisionDraft
    place: int | None = None


def refused(status: int, text: str) -> JSONResponse:
    """A refusal in one sentence."""
    return JSONResponse({"error": text}, status)


def guard(
    port: int, entrance: Entrance, doors: Collection[str] = (ENTER,)
) -> Callable[[Request, Next], Awaitable[Response]]:
    """What every request must show before anything answers it; ``doors`` ask for no token."""
    hosts = {f"{HOST}:{port}", f"localhost:{port}"}
    origins = {f"http://{host}" for host in hosts}

    async def check(request: Request, call_next: Next) -> Response:
        path = request.url.path
        if request.headers.get("host") not in hosts:
            response: Response = refused(421, "this page is served to this machine only")
        elif (
            path.startswith("/api/")
            and path not in doors
            and not secrets.compare_digest(
                request.headers.get(TOKEN_HEADER, "").encode(), entrance.token.encode()
            )
        ):
            response = refused(403, "this page is not let in; type the code that stands in the terminal")
        elif request.headers.get("origin", "") not in origins | (
            {""} if request.method in ("GET", "HEAD") else set()
        ):
            response = refused(403, "a request from another page is not answered")
        else:
            response = await call_next(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    return check


class Pass(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What opens the review once."""

    code: str


T = TypeVar("T")


async def body_of(request: Request, kind: type[T], what: str) -> T | Response:
    """The body of a request, or why it is none."""
    body = b""
    try:
        async for part in request.stream():
            body += part
            if len(body) > MOST_BYTES:
                return refused(413, f"{what} is at most {MOST_BYTES} bytes long")
    except ClientDisconnect:
        return refused(408, f"{what} did not come to its end")
    try:
        return msgspec.json.decode(body, type=kind)
    except (msgspec.MsgspecError, ValueError) as error:
        return refused(400, f"not {what}: {error}")


class _Answers:
    """What the page asks for; ``home`` is the page that it is a part of, if any."""

    def __init__(self, nights: Callable[[], Nights], entrance: Entrance, home: str) -> None:
        self._nights, self.entrance = nights, entrance
        self.page, self.policy = shell(home)

    @property
    def nights(self) -> Nights:
        return self._nights()

    def desk(self, request: Request) -> ReviewSession:
        text = request.query_params.get("night", "0")
        return self.nights.desk(int(text) if text.isdecimal() and len(text) < 7 else -1)

    def home(self, _: Request) -> Response:
        return Response(
            self.page, media_type="text/html; charset=utf-8", headers={"Content-Security-Policy": self.policy}
        )

    def listed(self, _: Request) -> Response:
        return json_of(self.nights.table())

    def night(self, request: Request) -> Response:
        return json_of(self.desk(request).fixed())

    def state(self, request: Request) -> Response:
        return json_of(self.desk(request).state(request.query_params.get("who", "")))

    def progress(self, request: Request) -> Response:
        one = self.desk(request)
        return json_of(
            {
                "ready": one.trace.ready,
                "done": one.trace.done,
                "failed": one.trace.failed,
                "seq": one.latest(),
            }
        )

    def trace(self, request: Request) -> Response:
        return _trace(self.desk(request), request.query_params)

    async def enter(self, request: Request) -> Response:
        asked = await body_of(request, Pass, "a code")
        if isinstance(asked, Response):
            return asked
        token = self.entrance.enter(asked.code)
        if not token:
            return refused(
                403,
                "this code opens nothing, or was used already; type the last one that stands in the terminal",
            )
        return json_of({"token": token})

    async def decide(self, request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool

        asked = await body_of(request, Decision, "a decision")
        if isinstance(asked, Response):
            return asked
        return await run_in_threadpool(lambda: _decide(self.desk(request), asked))


def review_routes(
    nights: Callable[[], Nights], entrance: Entrance, at: str = "/", home: str = ""
) -> list[Route]:
    """Addresses of a review: its page at ``at``, which leads back to ``home``, and what it asks for."""
    answers = _Answers(nights, entrance, home)
    return [
        Route(at, answers.home),
        Route(ENTER, answers.enter, methods=["POST"]),
        Route("/api/nights", answers.listed),
        Route("/api/night", answers.night),
        Route("/api/state", answers.state),
        Route("/api/progress", answers.progress),
        Route("/api/trace", answers.trace),
        Route("/api/decide", answers.decide, methods=["POST"]),
    ]


def application(nights: Nights, *, port: int, entrance: Entrance) -> Starlette:
    """The application that serves some nights."""
    return Starlette(
        routes=review_routes(lambda: nights, entrance),
        middleware=[guarded(guard(port, entrance))],
        exception_handlers={SleepbruxError: as_refusal},
    )


def _trace(desk: ReviewSession, asked: Mapping[str, str]) -> Response:
    try:
        start, stop = float(asked["from"]), float(asked["to"])
        width = int(asked["width"])
    except (KeyError, ValueError):
        return refused(400, "from, to and width must be numbers")
    if not (0 <= start < stop <= desk.night.swept.duration_s + 60 and 1 <= width <= MOST_PIXELS):
        return refused(400, "the view lies outside the recording")
    channels = range(len(desk.night.swept.frames))
    signal = [] if "overview" in asked else [desk.trace.view(k, start, stop, width) for k in channels]
    views = signal + [desk.trace.envelope(k, start, stop, width) for k in channels]
    return Response(packed(views), media_type="application/octet-stream")


def guarded(check: Callable[[Request, Next], Awaitable[Response]]) -> Any:
    """The check as an application takes it."""
    from starlette.middleware import Middleware

    return Middleware(BaseHTTPMiddleware, dispatch=check)


def json_of(value: Any) -> Response:
    """A value as JSON."""
    return Response(msgspec.json.encode(value), media_type="application/json")


def as_refusal(_: Request, error: Exception) -> Response:
    """What went wrong, in the sentence that says it."""
    return refused(500, str(error))


def _decide(desk: ReviewSession, asked: Decision) -> Response:
    draft = asked.draft
    try:
        if draft.action == "sample":
            return refused(400, "a sample is drawn when the review starts")
        if asked.place is not None:
            fields = {n: getattr(draft, n) for n in DecisionDraft.__struct_fields__}
            draft = DecisionDraft(**fields | {"target": desk.item(asked.place)})
        desk.decide(asked.seen, draft, asked.who)
    except ConflictError as error:
        return JSONResponse({"error": str(error), "state": desk.state(asked.who)}, 409)
    except JournalError as error:
        return refused(422, str(error))
    except OSError as error:
        return refused(
            507,
            f"the decision was not written: {error.strerror}; see to the disk or the folder and try again",
        )
    return json_of(desk.state(asked.who))
