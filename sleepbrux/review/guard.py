"""What every request must show before anything answers it, and the forms of an answer.

Served on the loopback address. Every request must name it as its host, so that a page of another site
that was led here by a false name server is refused; every request for data must carry a random token,
which the page gets once for a pass or a code (`sleepbrux.review.access`) and which is never part of a
request line; whatever changes something must come from the page's own origin.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Collection
from typing import Any, TypeVar

import msgspec
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from sleepbrux.review.access import HOST, Entrance
from sleepbrux.review.page import shell

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


def page_route(at: str = "/", home: str = "", api: str = "/api") -> Route:
    """Where the page of a review is, without any data; see `sleepbrux.review.page.shell`."""

    def shown(_: Request) -> Response:
        page, policy = shell(home, api)
        return Response(
            page, media_type="text/html; charset=utf-8", headers={"Content-Security-Policy": policy}
        )

    return Route(at, shown)


def entrance_route(entrance: Entrance) -> Route:
    """Where a pass or a code is changed for the token."""

    async def enter(request: Request) -> Response:
        asked = await body_of(request, Pass, "a code")
        if isinstance(asked, Response):
            return asked
        token = entrance.enter(asked.code)
        if not token:
            return refused(
                403,
                "this code opens nothing, or was used already; type the last one that stands in the terminal",
            )
        return json_of({"token": token})

    return Route(ENTER, enter, methods=["POST"])
