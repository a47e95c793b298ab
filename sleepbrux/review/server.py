"""The page and its data over HTTP, for this machine and this reader only.

Served on the loopback address. Every request must name it as its host, so that a page of another site
that was led here by a false name server is refused; every request for data must carry a random token,
which stands behind the # of the address and so is never part of a request line; every decision must come
from the page's own origin. The page may run and style itself by what it holds, and may ask nobody else.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

import msgspec
from starlette.applications import Starlette
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from sleepbrux.errors import JournalError, SleepbruxError
from sleepbrux.journal.file import ConflictError, Draft
from sleepbrux.review.desk import Desk
from sleepbrux.review.page import shell
from sleepbrux.review.trace import MOST_PIXELS, packed

HOST = "127.0.0.1"
TOKEN_HEADER = "x-review-token"
MOST_BYTES = 20_000
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
    draft: Draft
    place: int | None = None


def refused(status: int, text: str) -> JSONResponse:
    """A refusal in one sentence."""
    return JSONResponse({"error": text}, status)


def guard(port: int, token: str) -> Callable[[Request, Next], Awaitable[Response]]:
    """What every request must show before anything answers it."""
    hosts = {f"{HOST}:{port}", f"localhost:{port}"}
    origins = {f"http://{host}" for host in hosts}

    async def check(request: Request, call_next: Next) -> Response:
        if request.headers.get("host") not in hosts:
            response: Response = refused(421, "this page is served to this machine only")
        elif request.url.path.startswith("/api/") and not secrets.compare_digest(
            request.headers.get(TOKEN_HEADER, "").encode(), token.encode()
        ):
            response = refused(
                403, "the token is missing or wrong; open the address as it was printed"
            )
        elif request.headers.get("origin", "") not in origins | (
            {""} if request.method in ("GET", "HEAD") else set()
        ):
            response = refused(403, "a request from another page is not answered")
        else:
            response = await call_next(request)
        response.headers.update(HEADERS)
        return response

    return check


def application(desk: Desk, *, port: int, token: str) -> Starlette:
    """The application that serves one desk."""
    page, policy = shell()

    def home(_: Request) -> Response:
        return Response(page, media_type="text/html; charset=utf-8",
                        headers={"Content-Security-Policy": policy})  # fmt: skip

    def night(_: Request) -> Response:
        return _json(desk.fixed())

    def state(request: Request) -> Response:
        return _json(desk.state(request.query_params.get("who", "")))

    def progress(_: Request) -> Response:
        trace = desk.trace
        return _json({"ready": trace.ready, "done": trace.done, "failed": trace.failed,
                      "seq": desk.latest()})  # fmt: skip

    def trace(request: Request) -> Response:
        return _trace(desk, request.query_params)

    async def decide(request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool

        body = b""
        async for part in request.stream():
            body += part
            if len(body) > MOST_BYTES:
                return refused(413, f"a decision is at most {MOST_BYTES} bytes long")
        try:
            asked = msgspec.json.decode(body, type=Decision)
        except (msgspec.MsgspecError, ValueError) as error:
            return refused(400, f"not a decision: {error}")
        return await run_in_threadpool(_decide, desk, asked)

    return Starlette(
        routes=[
            Route("/", home),
            Route("/api/night", night),
            Route("/api/state", state),
            Route("/api/progress", progress),
            Route("/api/trace", trace),
            Route("/api/decide", decide, methods=["POST"]),
        ],
        middleware=[_middleware(guard(port, token))],
        exception_handlers={SleepbruxError: _told},
    )


def _trace(desk: Desk, asked: Mapping[str, str]) -> Response:
    try:
        start, stop = float(asked["from"]), float(asked["to"])
        width = int(asked["width"])
    except (KeyError, ValueError):
        return refused(400, "from, to and width must be numbers")
    if not (0 <= start < stop <= desk.night.swept.duration_s + 60 and 1 <= width <= MOST_PIXELS):
        return refused(400, "the view lies outside the recording")
    view = desk.trace.frames if "overview" in asked else desk.trace.view
    views = [view(k, start, stop, width) for k in range(len(desk.night.swept.frames))]
    return Response(packed(views), media_type="application/octet-stream")


def _middleware(check: Callable[[Request, Next], Awaitable[Response]]) -> Any:
    from starlette.middleware import Middleware

    return Middleware(BaseHTTPMiddleware, dispatch=check)


def _json(value: Any) -> Response:
    return Response(msgspec.json.encode(value), media_type="application/json")


def _told(_: Request, error: Exception) -> Response:
    return refused(500, str(error))


def _decide(desk: Desk, asked: Decision) -> Response:
    draft = asked.draft
    try:
        if draft.action == "sample":
            return refused(400, "a sample is drawn when the review starts")
        if asked.place is not None:
            fields = {n: getattr(draft, n) for n in Draft.__struct_fields__}
            draft = Draft(**fields | {"target": desk.item(asked.place)})
        desk.decide(asked.seen, draft, asked.who)
    except ConflictError as error:
        return JSONResponse({"error": str(error), "state": desk.state(asked.who)}, 409)
    except JournalError as error:
        return refused(422, str(error))
    except OSError as error:
        return refused(
            507, f"the decision was not written: {error.strerror}; free space and try again"
        )
    return _json(desk.state(asked.who))
