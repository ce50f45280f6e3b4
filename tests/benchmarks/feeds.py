"""Benchmarks of the live feeds: ``python -m tests.benchmarks.feeds`` prints a table.

Figures are the best of three on one machine. The HTTP answers come from a server on loopback in the same process, whose
time is part of theirs.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any

from adapters.feeds.folder import FolderFeed
from adapters.feeds.http_json import HttpJsonFeed
from adapters.feeds.pushed.messages import Inbox
from adapters.feeds.stream_json import StreamJsonFeed
from scanner.ports import Want
from scanner.wording.tables import table
from tests.adapters.feed_servers import START, as_json, rows
from tests.adapters.servers import http_server

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

SERIES = (100, 1_000, 10_000)
FILES = 1_000
SINCE = START * 1_000_000_000


def wants(count: int) -> list[Want]:
    return [Want(f"N{number}", "15m", SINCE) for number in range(count)]


def shapes(count: int) -> dict[str, tuple[object, dict[str, Any]]]:
    """Give answers with one bar for each of many instruments, and the settings that read them."""
    bar = rows(1)[0]
    names = [want.symbol for want in wants(count)]
    prices = {name: f"p.{name}" for name in ("open", "high", "low", "close")}
    indices = {name: f"[{index}]" for index, name in enumerate(bar)}
    quoted = {name: str(value) for name, value in bar.items()}
    return {
        "rows of plain keys": ([bar | {"of": name} for name in names], {"symbol": "of"}),
        "the same, numbers in quotes": ([quoted | {"of": name} for name in names], {"symbol": "of"}),
        "rows with prices further in": (
            [{"of": name, "time": bar["time"], "volume": 1, "p": bar} for name in names],
            {"symbol": "of", "fields": prices},
        ),
        "groups by name, rows as lists": (
            {name: [list(bar.values())] for name in names},
            {"groups": "@", "fields": indices},
        ),
    }


async def best(measured: Callable[[], Awaitable[object]]) -> float:
    """Give the shortest of three times, in milliseconds."""
    times = []
    for _ in range(3):
        begun = perf_counter()
        await measured()
        times.append(perf_counter() - begun)
    return min(times) * 1_000


async def http(count: int, answer: object, settings: dict[str, Any]) -> float:
    """Measure one request for many instruments, from the question to the bars."""
    response = as_json(answer)
    with http_server(lambda _: response) as server:
        feed = HttpJsonFeed(HttpJsonFeed.Settings(url=server.url, symbols_per_request=count, **settings))
        await feed.start()
        taken = await best(lambda: feed.fetch(wants(count)))
        await feed.stop()
    return taken


async def messages(count: int) -> float:
    """Measure taking a message with one bar for each of many series."""
    settings = StreamJsonFeed.Settings(url="wss://bars.example.org", symbol="of", timeframe="'15m'")
    payloads = [json.dumps(rows(1)[0] | {"of": want.symbol}) for want in wants(count)]

    async def take() -> None:
        inbox = Inbox(settings, "memory")
        for payload in payloads:
            inbox.take(payload)

    return await best(take)


async def files(folder: Path) -> float:
    """Measure reading the row appended to each of many files."""
    feed = FolderFeed(FolderFeed.Settings(path=folder))
    asked = wants(FILES)
    for want in asked:
        (folder / f"{want.symbol}_15m.csv").write_text("time,open,high,low,close,volume\n")
    times = []
    for row in rows(4):
        for want in asked:
            with (folder / f"{want.symbol}_15m.csv").open("a") as stream:
                stream.write(",".join(map(str, row.values())) + "\n")
        begun = perf_counter()
        for want in asked:
            await feed.fetch([want])
        times.append((perf_counter() - begun) * 1_000)
    return min(times[1:])


async def main() -> None:
    """Measure and print."""
    lines = []
    for name in shapes(1):
        taken = [await http(count, *shapes(count)[name]) for count in SERIES]
        lines.append((f"HTTP, one bar each: {name}", *(f"{each:.1f} ms" for each in taken), "<= 250 ms for 10,000"))
    lines.append(("messages taken in, one bar each", *[f"{await messages(count):.1f} ms" for count in SERIES], ""))
    with tempfile.TemporaryDirectory() as name:
        lines.append(("files, one new row each", "", f"{await files(Path(name)):.1f} ms", "", ""))
    heads = ("what", *(f"{count:,} series" for count in SERIES), "wanted")
    print("\n".join(table(heads, lines, left=(0, 4))))


if __name__ == "__main__":
    asyncio.run(main())
