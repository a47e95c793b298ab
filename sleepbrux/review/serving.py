"""A desk served until it is stopped."""

from __future__ import annotations

import secrets
import socket
import threading
from collections.abc import Callable

from sleepbrux.review.desk import Desk
from sleepbrux.review.server import HOST, application

TOKEN_BYTES = 24


def _build(desk: Desk) -> None:
    try:
        desk.trace.build()
    except Exception as error:
        desk.trace.failed = str(error)


def serve(desk: Desk, *, port: int = 0, told: Callable[[str], None]) -> None:
    """Serve a desk on the loopback address; returns when it is interrupted.

    Parameters
    ----------
    port
        0: any free one.
    told
        Takes the address, token included, once it answers.
    """
    import uvicorn

    token = secrets.token_urlsafe(TOKEN_BYTES)
    # the protocol is named because only then asyncio sends small answers at once (no 40 ms of waiting)
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
        place = listener.getsockname()[1]
        config = uvicorn.Config(
            application(desk, port=place, token=token), log_level="warning", access_log=False,
            use_colors=False,
            server_header=False, proxy_headers=False, ws="none", lifespan="off",
        )  # fmt: skip
        threading.Thread(target=_build, args=(desk,), name="trace", daemon=True).start()
        listener.listen()
        told(f"http://{HOST}:{place}/#{token}")
        uvicorn.Server(config).run(sockets=[listener])
