"""For tests of feeds: servers that say what they like, and bars as such servers send them."""

from __future__ import annotations

import asyncio
import json
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Any

from tests.adapters.servers import HOST, Response

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable

    from scanner.market.bars import RawBars

SECOND = 1_000_000_000
QUARTER_HOUR = 900
START = 1_772_467_200
"""2026-03-02T16:00:00Z, in seconds since 1970."""


def rows(count: int, start: int = START, step: int = QUARTER_HOUR) -> list[dict[str, Any]]:
    """Make invented rows of bars, the n-th with prices around 100 + n."""
    return [
        {
            "time": start + number * step,
            "open": 100.25 + number,
            "high": 101.5 + number,
            "low": 99.75 + number,
            "close": 100.5 + number,
            "volume": 1_000 + number,
        }
        for number in range(count)
    ]


def told(bars: RawBars) -> list[dict[str, Any]]:
    """Write raw bars as such rows."""
    columns = (bars.stamp // SECOND, bars.open, bars.high, bars.low, bars.close, bars.volume)
    names = ("time", "open", "high", "low", "close", "volume")
    return [
        dict(zip(names, values, strict=True)) for values in zip(*(column.tolist() for column in columns), strict=True)
    ]


def as_json(value: object, status: int = 200, content_type: str = "application/json", **headers: str) -> Response:
    """Make a response of JSON."""
    sent = {"Content-Type": content_type} | {name.replace("_", "-"): text for name, text in headers.items()}
    return Response(status, sent, json.dumps(value).encode())


@asynccontextmanager
async def raw_server(
    serve: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]],
) -> AsyncIterator[int]:
    """Run a server that does with each connection what ``serve`` does; gives its port."""
    open_lines: set[asyncio.Task[None]] = set()

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        open_lines.add(task)
        try:
            with suppress(ConnectionError, asyncio.CancelledError):
                await serve(reader, writer)
        finally:
            open_lines.discard(task)
            writer.close()
            with suppress(ConnectionError):
                await writer.wait_closed()

    server = await asyncio.start_server(handle, HOST, 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for line in open_lines:
            line.cancel()
        if open_lines:
            await asyncio.wait(open_lines)
        await server.wait_closed()


async def silence(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Take what comes and never say a word."""
    del writer
    while await reader.read(65_536):
        pass


async def until(holds: Callable[[], bool], seconds: float = 10.0) -> None:
    """Wait until something holds; fails where it does not in time."""
    async with asyncio.timeout(seconds):
        while not holds():  # noqa: ASYNC110 - what is waited for may be anything
            await asyncio.sleep(0.005)
