"""Nights served until the command is stopped."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import uvicorn
from starlette.applications import Starlette
from uvicorn.protocols.http.h11_impl import H11Protocol

from sleepbrux.review.access import HOST, Entrance

if TYPE_CHECKING:
    from sleepbrux.review.nights import Nights

WAIT_S, GRACE_S = 10.0, 2


def patient_for(seconds: float, *, renewed: bool = False) -> type[H11Protocol]:
    """A connection that is closed where no whole request has come for some seconds.

    The server itself waits for ever for the first byte, and for the rest of a request.

    Parameters
    ----------
    renewed
        Every part of a request gives it these seconds anew, so that large files can be sent.
    """

    class Limited(H11Protocol):
        _limit: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            self._wait()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            if str(self.conn.their_state) in ("IDLE", "SEND_BODY"):
                if renewed:
                    self._stop()
                self._wait()
            else:
                self._stop()

        def connection_lost(self, exc: Exception | None) -> None:
            self._stop()
            super().connection_lost(exc)

        def _wait(self) -> None:
            if self._limit is None:
                self._limit = self.loop.call_later(seconds, self.transport.abort)

        def _stop(self) -> None:
            if self._limit is not None:
                self._limit.cancel()
                self._limit = None

    return Limited


@contextmanager
def listening(port: int = 0) -> Iterator[socket.socket]:
    """A socket on the loopback address; 0: any free port."""
    # the protocol is named because only then asyncio sends small answers at once (no 40 ms of waiting)
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
        listener.listen()
        yield listener


def server_for(nights: Nights, entrance: Entrance, port: int, *, wait_s: float = WAIT_S) -> uvicorn.Server:
    """The server of some nights on a port that listens already."""
    from sleepbrux.review.server import application

    return server_of(application(nights, port=port, entrance=entrance), patient_for(wait_s))


def server_of(served: Starlette, protocol: Any) -> uvicorn.Server:
    """A server that logs no request and gives nothing of itself away."""
    config = uvicorn.Config(
        served,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        lifespan="off",
        http=protocol,
        timeout_graceful_shutdown=GRACE_S,
    )
    return uvicorn.Server(config)


def serve(nights: Nights, entrance: Entrance, *, port: int = 0, told: Callable[[str], None]) -> None:
    """Serve nights on the loopback address; returns when it is interrupted.

    Parameters
    ----------
    port
        0: any free one.
    told
        Takes the address once it answers; it holds no secret.
    """
    serve_at(lambda place: server_for(nights, entrance, place), port, told)


def serve_at(server_at: Callable[[int], uvicorn.Server], port: int, told: Callable[[str], None]) -> None:
    """Listen on the loopback address, say where, and serve what ``server_at`` makes for that port."""
    with listening(port) as listener:
        place = listener.getsockname()[1]
        told(f"http://{HOST}:{place}/")
        server_at(place).run(sockets=[listener])
