"""An HTTP server that no client can block: requests must be complete in time, and connections are limited."""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

import h11
import uvicorn
from starlette.requests import ClientDisconnect
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    from contextlib import AbstractContextManager
    from pathlib import Path

    from starlette.types import ASGIApp

LOOPBACK = "127.0.0.1"
LONGEST_REQUEST = 16_384
"""Bytes of a request's first line and headers."""
REQUEST_WITHIN = 5.0
"""Seconds that a request may take to arrive."""
IDLE_WITHIN = 5
"""Seconds that a connection is kept for another request."""
MOST_CONNECTIONS = 800
"""Most connections at a time; further ones are told that the server is busy."""
STOP_WITHIN = 1
"""Seconds that a stop waits for unfinished answers."""


class Impatient(H11Protocol):
    """Closes a connection whose request is not complete in time; the library itself would wait for ever."""

    within = REQUEST_WITHIN
    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as the library has it
        """Start waiting for the first request."""
        super().connection_made(transport)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._calm()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take the data, and wait on if the request is not complete."""
        super().data_received(data)
        if self.conn.their_state in {h11.IDLE, h11.SEND_BODY}:
            self._wait()
        else:
            self._calm()

    def _wait(self) -> None:
        if self._late is None:
            self._late = self.loop.call_later(self.within, self.transport.abort)

    def _calm(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


class WebServer(uvicorn.Server):
    """A server whose process handles signals itself; ``should_exit`` stops it."""

    def capture_signals(self) -> AbstractContextManager[None]:  # type: ignore[override]  # the library's is a generator
        """Leave signals alone."""
        return nullcontext()


class NoNews(logging.Filter):
    """Leaves out of the log that a client's leaving, or a stop, ended an unfinished answer."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a record is worth logging."""
        problem = record.exc_info[1] if record.exc_info else None
        return not isinstance(problem, (asyncio.CancelledError, ClientDisconnect, OSError))


def server(
    app: ASGIApp,
    *,
    most: int = MOST_CONNECTIONS,
    request_within: float = REQUEST_WITHIN,
    certificate: Path | None = None,
    key: Path | None = None,
) -> WebServer:
    """Make a server for an application, with limits on connections and on the seconds for a request.

    With a certificate and its key it uses TLS.
    """
    options: dict[str, Any] = {}
    if certificate is not None:
        options = {"ssl_certfile": str(certificate), "ssl_keyfile": None if key is None else str(key)}
        options["ssl_version"] = ssl.PROTOCOL_TLS_SERVER
    logging.getLogger("uvicorn.error").addFilter(NO_NEWS)
    config = uvicorn.Config(
        app,
        http=type("Limited", (Impatient,), {"within": request_within}),
        ws="none",
        lifespan="off",
        loop="asyncio",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        h11_max_incomplete_event_size=LONGEST_REQUEST,
        limit_concurrency=most,
        timeout_keep_alive=IDLE_WITHIN,
        timeout_graceful_shutdown=STOP_WITHIN,
        **options,
    )
    return WebServer(config)


NO_NEWS = NoNews()


def listener(port: int, address: str = LOOPBACK) -> socket.socket:
    """Open a port of this machine, so that connections wait until it is served.

    Port 0 takes any free port. OSError if it cannot be opened.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    # If the protocol is named, accepted connections send at once, without waiting for an acknowledgement.
    opened = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((address, port))
        opened.listen(128)
    except BaseException:
        opened.close()
        raise
    return opened
