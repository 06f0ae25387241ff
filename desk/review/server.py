"""The desk is served on this machine alone, until the person closes it."""

from __future__ import annotations

import os
import secrets
import socket
from collections.abc import Callable

from core.errors import UsageError
from desk.review.app import make_app
from desk.review.desk import Desk

HOST = "127.0.0.1"


class Served:
    """A desk on its port; ``run`` serves it until it is closed."""

    def __init__(self, desk: Desk, port: int = 0) -> None:
        import uvicorn

        self._socket = _bound(port)
        self.port: int = self._socket.getsockname()[1]
        token = secrets.token_urlsafe(24)
        self.address = f"http://{HOST}:{self.port}/?token={token}"
        app = make_app(desk, port=self.port, token=token, close=self.close)
        config = uvicorn.Config(
            app,
            log_config=None,
            log_level="error",
            access_log=False,
            lifespan="off",
            http="h11",
            ws="none",
            loop="asyncio",
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=3,
        )
        self._server = uvicorn.Server(config)

    def run(self) -> None:
        """Serve until `close` or an interrupt."""
        try:
            self._server.run(sockets=[self._socket])
        finally:
            self._socket.close()

    def close(self) -> None:
        """Stop serving once what is under way is answered."""
        self._server.should_exit = True

    @property
    def ready(self) -> bool:
        """Whether requests are answered already; before that they wait."""
        return bool(self._server.started)


def serve(desk: Desk, *, port: int, tell: Callable[[str], None]) -> None:
    """Serve a desk and tell its address; returns when the person closes it or interrupts.

    Raises
    ------
    UsageError
        When the port is taken.
    """
    served = Served(desk, port)
    tell(served.address)
    try:
        served.run()
    except KeyboardInterrupt:
        return


def _bound(port: int) -> socket.socket:
    """Return a socket on this machine's own address, which no other machine reaches."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # the port of a desk that was just closed serves again at once; one in use is still refused
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((HOST, port))
    except (OSError, OverflowError) as error:
        made.close()
        raise UsageError(
            f"--port {port}: the port cannot be used: {getattr(error, 'strerror', None) or error}; name another one."
        ) from None
    made.listen(64)
    return made
