"""The feed ``http_json`` where one question needs several answers, or one answer is for many instruments."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from adapters.feeds.http_json import HttpJsonFeed
from adapters.feeds.pushed.link import Outside
from scanner.ports import FeedTroubleError, Want
from tests.adapters.feed_servers import QUARTER_HOUR, START, as_json, rows, told
from tests.adapters.servers import Request, Response, http_server
from tests.adapters.test_feed_http_json import HARBOUR, SINCE, ask, queries

if TYPE_CHECKING:
    from collections.abc import Callable


def by_token(request: Request) -> Response:
    page = int(queries([request])[0].get("page", "0"))
    return as_json({"bars": rows(6)[2 * page :][:2], "next": str(page + 1) if page < 2 else None})


def by_address(request: Request) -> Response:
    page = int(queries([request])[0].get("page", "0"))
    # The newest page first, as some servers do.
    return as_json({"bars": rows(6)[4 - 2 * page :][:2], "next": f"?page={page + 1}" if page < 2 else ""})


@pytest.mark.parametrize(
    ("answer", "settings", "pages"),
    [
        (by_token, {"next": "next", "query": {"page": "{next}"}}, 3),
        (by_address, {"next": "next"}, 3),
    ],
)
async def test_pages_are_put_together(
    answer: Callable[[Request], Response], settings: dict[str, object], pages: int
) -> None:
    with http_server(answer) as server:
        (found,) = await ask(url=server.url + "/{symbol}", rows="bars", **settings)
        assert len(server.requests) == pages
    assert told(found.bars) == rows(6)


@pytest.mark.parametrize("count", [0, 1, 2, 5])
async def test_an_answer_that_is_newest_first_throughout_is_turned_around(count: int) -> None:
    with http_server(lambda _: as_json({"bars": rows(count)[::-1]})) as server:
        (found,) = await ask(url=server.url + "/{symbol}", rows="bars")
    assert told(found.bars) == rows(count)


async def test_an_answer_in_no_order_stays_as_it_was_sent() -> None:
    mixed = [rows(4)[place] for place in (3, 1, 2, 0)]
    with http_server(lambda _: as_json({"bars": mixed})) as server:
        (found,) = await ask(url=server.url + "/{symbol}", rows="bars")
    assert told(found.bars) == mixed


@pytest.mark.parametrize(
    ("answer", "settings", "sentence", "requests"),
    [
        (lambda _: as_json({"bars": rows(1), "next": "?again"}), {"next": "next"}, "not another page", 2),
        (
            lambda _: as_json({"bars": rows(1), "next": "http://elsewhere.example.org/"}),
            {"next": "next"},
            "not another page",
            1,
        ),
        (lambda _: as_json({"bars": rows(1), "next": "//[nowhere"}), {"next": "next"}, "not another page", 1),
        (
            lambda r: as_json({"bars": rows(1), "next": r.path + "x"}),
            {"next": "next", "most_pages": 4},
            "than 4 pages",
            4,
        ),
        (
            lambda _: as_json({"bars": rows(1), "next": 5}),
            {"next": "next", "query": {"page": "{next}"}},
            "names itself as its next page",
            2,
        ),
    ],
)
async def test_pages_without_end_come_to_an_end(
    answer: Callable[[Request], Response], settings: dict[str, object], sentence: str, requests: int
) -> None:
    with http_server(answer) as server:
        with pytest.raises(FeedTroubleError, match=sentence):
            await ask(url=server.url + "/{symbol}", rows="bars", **settings)
        assert len(server.requests) == requests


@pytest.mark.parametrize(
    "goes_by",
    [
        pytest.param(lambda opens, since: opens >= since, id="open, that one too"),
        pytest.param(lambda opens, since: opens > since, id="open, later ones alone"),
        pytest.param(lambda opens, since: opens + QUARTER_HOUR >= since, id="close, that one too"),
        pytest.param(lambda opens, since: opens + QUARTER_HOUR > since, id="close, later ones alone"),
    ],
)
async def test_requests_from_the_last_bar_on_get_every_bar_from_oldest_first_and_newest_first_servers(
    goes_by: Callable[[int, int], bool],
) -> None:
    def answer(request: Request) -> Response:
        asked = queries([request])[0]
        known = [row for row in rows(10) if goes_by(row["time"], int(asked["from"]))]
        return as_json(known[: int(asked["count"])])

    found: dict[int, dict[str, Any]] = {}
    with http_server(answer) as server:
        want, asked_on = Want("HARBOUR", "15m", None, SINCE - 1_000_000_000), True
        while asked_on:
            query = {"from": "{since}", "count": "{limit}"}
            (page,) = await ask([want], url=server.url + "/{symbol}", query=query, limit=3)
            fresh = {row["time"]: row for row in told(page.bars)}
            asked_on = bool(fresh.keys() - found.keys())
            found |= fresh
            want = Want("HARBOUR", "15m", max(found) * 1_000_000_000)
        assert len(server.requests) < 12
    assert list(found.values()) == rows(10)


async def test_each_page_counts_as_a_request_that_the_server_allows() -> None:
    waited: list[float] = []

    async def sleep(seconds: float) -> None:
        waited.append(seconds)

    with http_server(by_token) as server:
        asked: dict[str, object] = {"url": server.url + "/{symbol}", "rows": "bars", "query": {"page": "{next}"}}
        settings = HttpJsonFeed.Settings.model_validate(asked | {"next": "next", "requests_per_minute": 30})
        feed = HttpJsonFeed(settings, outside=Outside(clock=lambda: sum(waited, 1_000.0), sleep=sleep))
        await feed.start()
        answers = await feed.fetch([HARBOUR, Want("MILL", "15m", SINCE)])
        await feed.stop()
        assert len(server.requests) == 6
    assert [told(each.bars) for each in answers] == [rows(6)] * 2
    assert waited == [2.0] * 5


@pytest.mark.parametrize(
    ("settings", "seconds"),
    [
        ({}, 2 * 10),
        ({"requests_per_minute": 30, "at_once": 4}, 2 * (10 + 8)),
        ({"requests_per_minute": 30, "at_once": 4, "next": "next", "most_pages": 5}, 2 * 5 * (10 + 8)),
    ],
)
def test_a_request_may_take_as_long_as_all_its_pages_and_their_turns(settings: dict[str, object], seconds: int) -> None:
    url = "https://bars.example.org/{symbol}"
    assert HttpJsonFeed.Settings.model_validate({"url": url, "timeout": 10} | settings).limits.answer_within == seconds


def named(symbol: str, start: int = START) -> list[dict[str, Any]]:
    return [row | {"symbol": symbol} for row in rows(2, start)]


@pytest.mark.parametrize(
    ("sent", "settings"),
    [
        pytest.param(
            [row for both in zip(named("A"), named("C"), strict=True) for row in both], {"symbol": "symbol"}, id="rows"
        ),
        pytest.param(
            {"X": named("X"), "C": named("C"), "A": named("A"), "B": None}, {"groups": "@"}, id="groups by name"
        ),
        pytest.param(
            {"all": [{"id": "A", "bars": rows(2)}, {"id": "C", "bars": rows(2)}, {"id": "B"}]},
            {"groups": "all", "symbol": "id", "rows": "bars"},
            id="groups in a list",
        ),
    ],
)
async def test_many_instruments_are_asked_for_at_once(sent: object, settings: dict[str, object]) -> None:
    wants = [Want("A", "15m", SINCE + 900), Want("B", "15m", SINCE), Want("C", "15m", SINCE), Want("A", "1h", None)]
    with http_server(lambda _: as_json(sent)) as server:
        query = {"from": "{since}", "of": "{symbols}", "frame": "{timeframe}"}
        answers = await ask(wants, url=server.url, query=query, **settings)
        assert queries(server.requests) == [
            {"from": str(START), "of": "A,B,C", "frame": "15m"},
            {"of": "A", "frame": "1h"},
        ]
    assert [answer.want for answer in answers] == wants
    assert [told(answer.bars) for answer in answers] == [rows(2), [], rows(2), rows(2)]


async def test_each_page_has_what_it_has_of_each_instrument() -> None:
    """The newest page first; A is on all of them, with one row each, B on one, and C on none."""

    def answer(request: Request) -> Response:
        page = int(queries([request])[0].get("page", "0"))
        of = {"A": rows(3)[2 - page :][:1], "B": rows(2) if page == 1 else [], "C": []}
        return as_json({"bars": of, "next": str(page + 1) if page < 2 else None})

    wants = [Want(symbol, "15m", SINCE) for symbol in "ABC"]
    with http_server(answer) as server:
        query = {"of": "{symbols}", "page": "{next}"}
        answers = await ask(wants, url=server.url, query=query, groups="bars", next="next")
    assert [told(each.bars) for each in answers] == [rows(3), rows(2), []]


async def test_a_large_list_is_asked_for_in_parts() -> None:
    wants = [Want(f"N{number}", "15m", SINCE) for number in range(25)]

    def answer(request: Request) -> Response:
        symbols = queries([request])[0]["of"].split(",")
        return as_json({symbol: rows(1, START + 900 * int(symbol[1:])) for symbol in symbols})

    with http_server(answer) as server:
        answers = await ask(wants, url=server.url, query={"of": "{symbols}"}, groups="@", symbols_per_request=10)
        assert len(server.requests) == 3
    assert [told(each.bars)[0]["time"] for each in answers] == [START + 900 * number for number in range(25)]


async def test_an_answer_about_others_is_trouble() -> None:
    trouble = pytest.raises(
        FeedTroubleError, match=r"none of the 2 rows is for a requested instrument; the first is of \"Q\""
    )
    with http_server(lambda _: as_json(named("Q"))) as server, trouble:
        await ask(url=server.url, symbol="symbol")


def spoilt(symbol: str, **cells: object) -> list[dict[str, Any]]:
    first, second = named(symbol)
    return [first | cells, second]


COLUMNS = {name: [row[name] for row in rows(2)] for name in rows(1)[0]}


@pytest.mark.parametrize(
    ("sent", "settings", "complaint"),
    [
        pytest.param(
            [*named("A"), *spoilt("B", time="1e1000000"), *named("C")], {"symbol": "symbol"}, "1e1000000", id="a time"
        ),
        pytest.param(
            [*named("A"), *spoilt("B", close="much"), *named("C")],
            {"symbol": "symbol", "fields": {"close": "close > low && close || high"}},
            "close null",
            id="a price that an expression cannot compare",
        ),
        pytest.param(
            {"A": COLUMNS, "B": COLUMNS | {"open": [1]}, "C": COLUMNS},
            {"groups": "@"},
            "2 times, but 1 values of open",
            id="lists that do not fit together",
        ),
    ],
)
async def test_what_is_wrong_with_one_instrument_blinds_no_other(
    sent: object, settings: dict[str, object], complaint: str
) -> None:
    wants = [Want(symbol, "15m", SINCE) for symbol in "ABC"]
    with http_server(lambda _: as_json(sent)) as server:
        before, wrong, after = await ask(wants, url=server.url, query={"of": "{symbols}"}, **settings)
    assert told(before.bars) == told(after.bars) == rows(2)
    (said,) = wrong.bars.unreadable.values()
    assert complaint in said


@pytest.mark.parametrize("page", [[["a"] * 100], {"at": 1}, "x" * 70_000, "\ud800"])
async def test_a_next_page_that_fits_no_address_is_one_sentence(page: object) -> None:
    with http_server(lambda _: as_json({"bars": rows(1), "next": page})) as server:
        with pytest.raises(FeedTroubleError, match="its next page") as caught:
            await ask(url=server.url + "/{symbol}", rows="bars", query={"page": "{next}"}, next="next")
        assert len(server.requests) == 1
    assert len(str(caught.value)) < 400
