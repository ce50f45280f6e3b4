"""Server-sent events: an open page hears of a change, and requests itself again."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.responses import PlainTextResponse, StreamingResponse

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import Receive, Scope, Send

    from scanner.page.known.looking import Board

ALIVE = 15.0
"""Seconds after which a listener hears that the connection is alive."""
MOST = 300
"""Most listeners at a time."""


class Live:
    """Tells listeners the current version. To be used only in the event loop of the server."""

    def __init__(self) -> None:
        self.version = 0
        self.listeners = 0
        self.ended = False
        self._changed = asyncio.Event()

    def tell(self, board: Board) -> None:
        """Publish a new version."""
        self.version = board.version
        self._wake()

    def end(self) -> None:
        """Let all listeners go."""
        self.ended = True
        self._wake()

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

    async def listen(self) -> AsyncIterator[str]:
        """Give the current version and every later one; quick successions come as one."""
        told = -1
        while not self.ended:
            changed = self._changed
            if told != self.version:
                told = self.version
                yield f"retry: 3000\nevent: version\ndata: {told}\n\n"
                continue
            try:
                async with asyncio.timeout(ALIVE):
                    await changed.wait()
            except TimeoutError:
                yield ": still here\n\n"


class Listening(StreamingResponse):
    """A stream that counts as a listener for as long as it is sent."""

    def __init__(self, hub: Live) -> None:
        super().__init__(hub.listen(), media_type="text/event-stream")
        self._hub = hub

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it."""
        self._hub.listeners += 1
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._hub.listeners -= 1


async def live(request: Request) -> Response:
    """Answer with a stream that does not end."""
    hub: Live = request.app.state.live
    if hub.listeners >= MOST:
        return PlainTextResponse("Too many are listening.\n", 503)
    return Listening(hub)
