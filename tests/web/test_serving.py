"""The server: slow requests are dropped, and nobody waits for them."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import pytest
from starlette.responses import PlainTextResponse

from scanner.web.serving import listener, server

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

ASK = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"


@asynccontextmanager
async def answering(*, most: int = 10) -> AsyncIterator[int]:
    at = listener(0)
    web = server(PlainTextResponse("here"), most=most, request_within=0.3)
    serving = asyncio.create_task(web.serve([at]))
    yield at.getsockname()[1]
    web.should_exit = True
    await serving


@pytest.mark.parametrize(
    "sends",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: loc",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\nx",
    ],
)
async def test_an_incomplete_request_is_dropped(sends: bytes) -> None:
    async with answering() as port:
        slow, line = await asyncio.open_connection("127.0.0.1", port)
        line.write(sends)
        quick, other = await asyncio.open_connection("127.0.0.1", port)
        other.write(ASK)
        assert (await quick.readline()).startswith(b"HTTP/1.1 200")
        async with asyncio.timeout(5):
            try:
                got = await slow.read()
            except ConnectionResetError:
                got = b""
        assert (b"here" in got) == sends.startswith(b"POST")
        line.close()
        other.close()


async def test_connections_beyond_the_limit_are_refused() -> None:
    async with answering(most=3) as port:
        waiting = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
        reading, line = await asyncio.open_connection("127.0.0.1", port)
        line.write(ASK)
        assert (await reading.readline()).startswith(b"HTTP/1.1 503")
        for _, each in (*waiting, (reading, line)):
            each.close()
