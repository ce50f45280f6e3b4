"""Odd messages for every feed that reads JSON, each through the feed's own code from bytes to rows."""

from __future__ import annotations

import asyncio
import gzip
import json
import zlib
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING, Any

import httpx

from adapters.feeds.exchange import ExchangeFeed, installed_exchanges
from adapters.feeds.http_json import HttpJsonFeed
from adapters.feeds.mqtt_bars import MqttBarsFeed
from adapters.feeds.stream_json import StreamJsonFeed
from scanner.ports import FeedTroubleError, Want
from tests.fuzz.oddities import mutate_bytes, mutate_json, recoded, written
from tests.fuzz.onward import SECOND, TAPE, Found, take
from tests.fuzz.onward import warm_up as warm_up_engine
from tests.fuzz.shapes import SHAPES, START, Row, Shape, rows_of

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from adapters.feeds.pushed.messages import PushedFeed

COUNT = 200_000
WHAT = "messages"
WANT, OTHER = Want("HRB", "15m", None), Want("MLL", "15m", START * SECOND)
SECRET = "kittiwake-nest-0714"  # noqa: S105 - invented, and looked for in all output
LOOP = asyncio.Runner()

SCALES = (1e25, -1.0, 1e-12, 1e306)
"""Factors by which prices are sometimes multiplied."""


def message(random: Random, value: Any) -> bytes:  # noqa: ANN401 - JSON
    """Write a value as JSON, mostly with a fault."""
    for _ in range(random.choice((0, 1, 1, 1, 2, 4))):
        value = mutate_json(random, value)
    content = written(value).encode("utf-8", "surrogatepass")
    if random.random() < 0.1:
        content = content.replace(b'":', random.choice((b'":1,"time":', b'" :', b'":[', b'":null,"":')), 1)
    for _ in range(random.choice((0, 0, 0, 0, 1, 2))):
        content = mutate_bytes(random, content)
    return recoded(random, content) if random.random() < 0.02 else content


@dataclass(frozen=True)
class Pushed:
    """One pushed message, and then a good one of another instrument, which must not be lost."""

    kind: type[MqttBarsFeed | StreamJsonFeed]
    settings: dict[str, Any]
    topic: str
    payload: bytes | str
    good: bytes

    def run(self) -> Found:
        feed = self._feed()
        found = Found()
        self._take(feed, self.topic, self.payload)
        try:
            feed.inbox.check()
        except FeedTroubleError as problem:
            found.refuse(str(problem))
        take(feed.inbox.recent.answer(WANT), found)
        self._take(feed, "bars/MLL/15m", self.good)
        if not len(feed.inbox.recent.answer(OTHER)):
            raise AssertionError("the good message that came afterwards is lost")
        return found

    def _feed(self) -> PushedFeed:
        if self.kind is MqttBarsFeed:
            return MqttBarsFeed(MqttBarsFeed.Settings(**self.settings))
        return StreamJsonFeed(StreamJsonFeed.Settings(**self.settings))

    def _take(self, feed: PushedFeed, topic: str, payload: bytes | str) -> None:
        if isinstance(feed, MqttBarsFeed):
            feed._take(topic, payload)
        else:
            feed.inbox.take(payload)


@dataclass(frozen=True)
class Asked:
    """One answer over HTTP, of one or more pages: code, headers and body of each."""

    settings: dict[str, Any]
    pages: list[tuple[int, dict[str, str], bytes]]

    def run(self) -> Found:
        return LOOP.run(self._run())

    async def _run(self) -> Found:
        feed, found, left = HttpJsonFeed(HttpJsonFeed.Settings(**self.settings)), Found(), iter(self.pages)

        def answer(_: httpx.Request) -> httpx.Response:
            code, headers, body = next(left, self.pages[-1])
            return httpx.Response(code, headers=headers, stream=_Body(body))

        # A client whose answers need no server.
        feed._endpoint._client = httpx.AsyncClient(transport=httpx.MockTransport(answer))
        wants = [WANT] if feed.settings.one_by_one else [WANT, OTHER]
        try:
            answers = await feed.fetch(wants)
        except FeedTroubleError as problem:
            found.refuse(str(problem))
        else:
            for each in answers:
                take(each.bars, found)
        await feed.stop()
        if any(SECRET in each for each in found.sentences):
            raise AssertionError(f"a sentence tells a secret: {found.sentences}")
        return found


class _Body(httpx.AsyncByteStream):
    def __init__(self, content: bytes) -> None:
        self._content = content

    async def __aiter__(self) -> AsyncIterator[bytes]:
        for begin in range(0, len(self._content), 10_000):
            yield self._content[begin : begin + 10_000]


@dataclass(frozen=True)
class Library:
    """One answer already decoded by the exchange library."""

    content: bytes

    def run(self) -> Found:
        return LOOP.run(self._run())

    async def _run(self) -> Found:
        found = Found()
        feed = ExchangeFeed(ExchangeFeed.Settings(exchange=KNOWN), make=lambda *_: _Exchange(self.content))
        await feed.start()
        try:
            answers = await feed.fetch([WANT])
        except FeedTroubleError as problem:
            found.refuse(str(problem))
        else:
            take(answers[0].bars, found)
        await feed.stop()
        return found


class _Exchange:
    timeframes = ("15m",)
    last_response_headers = None

    def __init__(self, content: bytes) -> None:
        self._content = content

    async def load_markets(self) -> None: ...

    async def close(self) -> None: ...

    async def fetch_ohlcv(self, *_: object) -> object:
        try:
            return json.loads(self._content)
        except RecursionError:
            raise ValueError("nested too deeply") from None


KNOWN = installed_exchanges()[0]


def make(random: Random, folder: Path) -> Pushed | Asked | Library:
    """Make one case."""
    del folder
    way = random.choice(("mqtt", "mqtt", "stream", "stream", "http", "http", "library"))
    shape, count = (
        random.choice(SHAPES),
        random.choice((0, 1, 1, 1, 2, 3, 5, 20)) if random.random() < 0.96 else len(TAPE),
    )
    unit = "ms" if way == "library" else random.choice(("s", "ms", "us", "ns", "rfc3339"))
    scale = random.choice(SCALES) if random.random() < 0.1 else 1.0
    rows = rows_of(unit, "HRB", count, scale, quoted=random.random() < 0.2)
    if way == "library":
        return Library(message(random, [list(row.values())[:6] for row in rows]))
    settings: dict[str, Any] = shape.settings | {
        "time_unit": unit,
        "stamp": random.choice(("open", "open", "close", "date")),
    }
    if way == "http":
        return asked(random, shape, settings, rows)
    whole = shape.named if way == "stream" or random.random() < 0.5 else {}
    settings |= {name: path for name, path in whole.items() if name != "closed" or random.random() < 0.5}
    if random.random() < 0.2:
        settings["only"] = random.choice(("!(type == 'beat')", "not_null(@)", "length(@) >= `1` && @", "!(a > `1`)"))
    payload = message(random, shape.write(rows))
    good = written(shape.write(rows_of(unit, "MLL", 1))).encode()
    if way == "stream":
        told = payload.decode(errors="replace") if random.random() < 0.5 else payload
        return Pushed(StreamJsonFeed, settings | {"url": "wss://bars.example.org"}, "", told, good)
    settings |= {"host": "broker.example.org", "client_id": "loft", "topic": "bars/{symbol}/{timeframe}"}
    return Pushed(
        MqttBarsFeed, settings, random.choice(("bars/HRB/15m", "bars/HRB/15m", "bars/HRB", "bars//")), payload, good
    )


def asked(random: Random, shape: Shape, settings: dict[str, Any], rows: list[Row]) -> Asked:
    """Make answers over HTTP: of one instrument, of two by row or by group, or of several pages."""
    settings["secret_headers"] = {"Authorization": f"Bearer {SECRET}"}
    sort = random.choice(("one", "rows", "groups", "list", "pages"))
    value = shape.write(rows)
    if sort == "one":
        settings["url"] = "https://bars.example.org/{symbol}"
    elif sort == "rows":
        settings |= {"url": "https://bars.example.org/all", "symbol": shape.named["symbol"]}
        value = shape.write(rows + [row | {"of": "MLL"} for row in rows[:3]])
    elif sort == "groups":
        settings |= {"url": "https://bars.example.org/all", "groups": "all"}
        value = {"all": {"HRB": value, "MLL": shape.write(rows[:2])}}
    elif sort == "list":
        settings |= {"url": "https://bars.example.org/all", "groups": "all[]", "symbol": "of"}
        settings["rows"] = "in" if settings.get("rows", "@") == "@" else f"in.{settings['rows']}"
        if "(" in settings["rows"]:
            settings["rows"] = f"in | {settings['rows'].removeprefix('in.')}"
        value = {"all": [{"of": "HRB", "in": value}, {"of": "MLL", "in": shape.write(rows[:2])}]}
    if sort != "pages":
        return Asked(settings, [response(random, value)])
    settings |= {"url": "https://bars.example.org/{symbol}", "next": "next", "most_pages": 4}
    settings["rows"] = "in" if settings.get("rows", "@") == "@" else f"in | {settings['rows']}"
    if random.random() < 0.5:
        settings["query"] = {"page": "{next}"}
    onward = random.choice(
        ("/more", "?page=2", "x", "https://bars.example.org/HRB?a=1", "//other.example.org", "http://[")
    )
    return Asked(settings, [response(random, {"in": value, "next": onward}) for _ in range(2)])


def response(random: Random, value: Any) -> tuple[int, dict[str, str], bytes]:  # noqa: ANN401 - JSON
    """Make one answer, sometimes compressed, refusing or with odd headers."""
    code, headers, body = 200, {"content-type": "application/json"}, message(random, value)
    if random.random() < 0.1:
        packed = random.choice((("gzip", gzip.compress(body, 1, mtime=0)), ("deflate", zlib.compress(body))))
        headers["content-encoding"] = random.choice((packed[0], packed[0], "gzip, gzip", "br", "x"))
        body = mutate_bytes(random, packed[1]) if random.random() < 0.5 else packed[1]
    if random.random() < 0.05:
        code = random.choice((204, 206, 301, 302, 304, 400, 401, 404, 418, 429, 500, 503, 599))
        headers["retry-after"] = random.choice(
            (
                "5",
                "-1",
                "1e9",
                "9" * 30,
                "soon",
                "",
                "Wed, 21 Oct 2015 07:28:00 GMT",
                "Wed, 21 Oct 99999999999999999999 07:28:00 GMT",
            )
        )
        headers["location"] = random.choice(("/x", "http://[", f"https://bars.example.org/{SECRET}", "%zz"))
    if random.random() < 0.02:
        headers["content-type"] = random.choice(("", "text/html", "application/json; charset=utf-7", "JSON"))
    if random.random() < 0.02:
        body = b"Bearer " + SECRET.encode() + body
    return code, headers, body


def warm_up() -> None:
    """Load and compile beforehand what the first case needs."""
    warm_up_engine()
    Library(b"[]").run()
    Asked({"url": "https://bars.example.org/{symbol}"}, [response(Random(0), [])]).run()
