"""The page and its data over HTTP, for this machine and this reader only (`sleepbrux.review.guard`).

Every decision must come from the page's own origin. The page may run and style itself by what it holds, and
may ask nobody else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import msgspec
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from sleepbrux.archive.journal.file import ConflictError, DecisionDraft
from sleepbrux.core.errors import JournalError, SleepbruxError
from sleepbrux.review.access import Entrance
from sleepbrux.review.guard import (
    as_refusal,
    body_of,
    entrance_route,
    guard,
    guarded,
    json_of,
    page_route,
    refused,
)
from sleepbrux.review.nights import Nights
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import MOST_PIXELS, packed


class Decision(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the page sends: the decision, by whom, and after how many others.

    ``place`` names an item of a sample instead of ``draft.target``.
    """

    seen: int
    who: str
    draft: DecisionDraft
    place: int | None = None


class _Answers:
    """What the page asks for."""

    def __init__(self, nights: Callable[[], Nights]) -> None:
        self._nights = nights

    @property
    def nights(self) -> Nights:
        return self._nights()

    def desk(self, request: Request) -> ReviewSession:
        text = request.query_params.get("night", "0")
        return self.nights.desk(int(text) if text.isdecimal() and len(text) < 7 else -1)

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

    async def decide(self, request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool

        asked = await body_of(request, Decision, "a decision")
        if isinstance(asked, Response):
            return asked
        return await run_in_threadpool(lambda: _decide(self.desk(request), asked))


def review_api(nights: Callable[[], Nights], api: str = "/api") -> list[Route]:
    """Addresses below ``api`` of what the page of a review asks for."""
    answers = _Answers(nights)
    return [
        Route(f"{api}/nights", answers.listed),
        Route(f"{api}/night", answers.night),
        Route(f"{api}/state", answers.state),
        Route(f"{api}/progress", answers.progress),
        Route(f"{api}/trace", answers.trace),
        Route(f"{api}/decide", answers.decide, methods=["POST"]),
    ]


def application(nights: Nights, *, port: int, entrance: Entrance) -> Starlette:
    """The application that serves some nights."""
    return Starlette(
        routes=[page_route(), entrance_route(entrance), *review_api(lambda: nights)],
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
