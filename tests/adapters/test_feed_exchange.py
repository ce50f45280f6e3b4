"""The feed ``exchange``: the library's own ways, towards an invented exchange on loopback."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, urlsplit

import pytest
from ccxt.async_support.base.exchange import Exchange
from pydantic import ValidationError

from adapters.feeds.exchange import ExchangeFeed, from_library, installed_exchanges
from scanner.ports import FeedTroubleError, Want
from tests.adapters.feed_servers import START, as_json, raw_server, rows, silence, told
from tests.adapters.servers import HOST, Request, Response, free_port, http_server

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

SINCE = START * 1_000_000_000
KNOWN = installed_exchanges()[0]
COIN = Want("ABC/XYZ", "15m", SINCE)


class InventedExchange(Exchange):  # type: ignore[misc] # the library publishes no types
    """An exchange that does not exist, described as the library describes all of them."""

    def describe(self) -> dict[str, Any]:
        described: dict[str, Any] = self.deep_extend(
            super().describe(),
            {
                "id": "invented",
                "rateLimit": 1,
                "has": {"fetchOHLCV": True},
                "timeframes": {"15m": "q", "1h": "h"},
                "api": {"public": {"get": {"markets": 1, "bars": 1}}},
            },
        )
        return described

    def sign(
        self, path: str, api: str = "public", method: str = "GET", params: object = None, *_: object
    ) -> dict[str, Any]:
        del api
        url = f"{self.urls['api']}/{path}?{self.urlencode(params or {})}"
        return {"url": url, "method": method, "body": None, "headers": None}

    async def fetch_markets(self, params: object = None) -> list[Any]:
        del params
        found = await self.request("markets", "public", "GET", {})
        return [self.safe_market_structure({"id": each, "symbol": each, "spot": True}) for each in found["all"]]

    async def fetch_ohlcv(
        self, symbol: str, timeframe: str, since: int | None = None, limit: int | None = None
    ) -> list[Any]:
        await self.load_markets()
        market = self.market(symbol)
        asked = {"of": market["id"], "frame": self.timeframes[timeframe], "from": since, "count": limit}
        known = {name: value for name, value in asked.items() if value is not None}
        found = await self.request("bars", "public", "GET", known)
        bars: list[Any] = self.parse_ohlcvs(found["bars"], market, timeframe, since, limit)
        return bars


def as_sent(bars: list[dict[str, Any]]) -> dict[str, Any]:
    return {"bars": [[row["time"] * 1_000, *map(str, list(row.values())[1:])] for row in bars]}


def query(request: Request) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(urlsplit(request.path).query).items()}


@asynccontextmanager
async def asking(url: str, **settings: object) -> AsyncIterator[ExchangeFeed]:
    def make(name: str, options: dict[str, Any]) -> InventedExchange:
        assert name == KNOWN
        assert options["enableRateLimit"] is True
        return InventedExchange(options | {"urls": {"api": url}, "timeout_on_exit": 0})

    usual: dict[str, object] = {"exchange": KNOWN}
    feed = ExchangeFeed(ExchangeFeed.Settings.model_validate(usual | settings), make=make, clock=lambda: START)
    try:
        await feed.start()
        yield feed
    finally:
        await feed.stop()


def with_markets(answer: Callable[[Request], Response]) -> Callable[[Request], Response]:
    return lambda request: as_json({"all": ["ABC/XYZ"]}) if "/markets" in request.path else answer(request)


def bars_since(request: Request) -> Response:
    asked = query(request)
    return as_json(
        as_sent([row for row in rows(8) if row["time"] * 1_000 >= int(asked.get("from", 0))][: int(asked["count"])])
    )


async def test_bars_come_from_the_time_asked_for_in_one_request_for_each_want() -> None:
    late = Want("ABC/XYZ", "15m", SINCE + 900 * 10**9 - 1)
    enough = Want("ABC/XYZ", "1h", None, SINCE + 900 * 10**9)
    history = Want("ABC/XYZ", "1h", None)
    with http_server(with_markets(bars_since)) as server:
        async with asking(server.url, limit=3) as feed:
            await feed.start()
            answers = await feed.fetch([COIN, late, enough, history])
            assert [answer.want for answer in answers] == [COIN, late, enough, history]
            assert [told(answer.bars) for answer in answers] == [rows(3), rows(4)[1:], rows(4)[1:], rows(3)]
            assert answers[0].bars.stamp_kind == "open"
    asked = [query(request) for request in server.requests if "/bars" in request.path]
    assert asked == [
        {"of": "ABC/XYZ", "frame": "q", "from": f"{START}000", "count": "3"},
        {"of": "ABC/XYZ", "frame": "q", "from": f"{START + 900}000", "count": "3"},
        {"of": "ABC/XYZ", "frame": "h", "from": f"{START + 900}000", "count": "3"},
        {"of": "ABC/XYZ", "frame": "h", "count": "3"},
    ]


async def test_asked_on_from_the_last_bar_it_leaves_none_out() -> None:
    want, found = Want("ABC/XYZ", "15m", None, SINCE), []
    with http_server(with_markets(bars_since)) as server:
        async with asking(server.url, limit=3) as feed:
            for _ in range(4):
                (answer,) = await feed.fetch([want])
                found += [row for row in told(answer.bars) if row not in found]
                want = Want("ABC/XYZ", "15m", found[-1]["time"] * 10**9)
    assert found == rows(8)


async def test_the_library_s_missing_numbers_are_left_to_the_guard() -> None:
    sent = as_sent(rows(2))
    sent["bars"][1][2] = "high"
    with http_server(with_markets(lambda _: as_json(sent))) as server:
        async with asking(server.url) as feed:
            (answer,) = await feed.fetch([COIN])
    assert told(answer.bars)[0] == rows(2)[0]
    assert answer.bars.unreadable == {1: "high null"}


@pytest.mark.parametrize(
    ("response", "sentence", "retry_after"),
    [
        (as_json({}, 429, Retry_After="9"), "asked too often .*requests_per_minute", 9),
        (as_json({}, 418, Retry_After="Mon, 02 Mar 2026 16:01:00 GMT"), "asked too often", 60),
        (as_json({}, 429), "asked too often", None),
        (as_json({}, 503), "cannot be reached .*ExchangeNotAvailable", None),
        (as_json({}, 401), "refuses the request .*AuthenticationError", None),
        (Response(200, {"Content-Type": "text/html"}, b"<p>back soon</p>"), "its answer cannot be understood", None),
        (as_json({"error": 1}), "its answer cannot be understood .*KeyError", None),
        (as_json({"bars": 5}), "its answer cannot be understood .*TypeError", None),
    ],
)
async def test_whatever_goes_wrong_is_one_sentence(
    response: Response, sentence: str, retry_after: float | None
) -> None:
    with http_server(with_markets(lambda _: response)) as server:
        async with asking(server.url) as feed:
            with pytest.raises(FeedTroubleError, match=sentence) as caught:
                await feed.fetch([COIN])
            assert caught.value.retry_after == retry_after
            assert str(caught.value).startswith(f"exchange {KNOWN}: ")
            assert len(str(caught.value)) < 400


async def test_unknown_symbols_and_timeframes_are_named() -> None:
    with http_server(with_markets(bars_since)) as server:
        async with asking(server.url) as feed:
            with pytest.raises(FeedTroubleError, match=r"unknown symbol .*NONE.*such as ABC/XYZ"):
                await feed.fetch([Want("NONE", "15m", None)])
            with pytest.raises(FeedTroubleError, match="it has no bars of 3m, but of 15m, 1h; set base"):
                await feed.fetch([Want("ABC/XYZ", "3m", None)])


async def test_a_server_that_is_away_or_silent() -> None:
    with pytest.raises(FeedTroubleError, match="cannot be reached"):
        async with asking(f"http://{HOST}:{free_port()}"):
            pass
    async with raw_server(silence) as port:
        with pytest.raises(FeedTroubleError, match=r"no answer within 0\.2 s"):
            async with asking(f"http://{HOST}:{port}", timeout=0.2):
                pass


async def test_the_lack_of_the_library_or_of_the_exchange_in_it_is_reported() -> None:
    with pytest.raises(ValidationError, match=r'knows no exchange "nobodys-own"; ccxt\.exchanges lists'):
        ExchangeFeed.Settings(exchange="nobodys-own")
    with pytest.raises(ValidationError, match=f"did you mean {KNOWN}"):
        ExchangeFeed.Settings(exchange=KNOWN.upper())
    assert installed_exchanges("a_library_that_is_not_there") == []
    feed = ExchangeFeed(ExchangeFeed.Settings(exchange=KNOWN))
    with pytest.raises(FeedTroubleError, match="has not been started"):
        await feed.fetch([COIN])
    await feed.stop()
    with pytest.raises(FeedTroubleError, match=r"needs the library ccxt; .* pip install 'closewatch\[crypto\]'"):
        from_library(KNOWN, {}, "a_library_that_is_not_there")


@pytest.mark.parametrize(
    "settings", [{}, {"exchange": ""}, {"exchange": "x", "limit": 1}, {"exchange": "x", "api_key": "k"}]
)
def test_mistakes_in_the_settings_are_explained(settings: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        ExchangeFeed.Settings.model_validate(settings)
