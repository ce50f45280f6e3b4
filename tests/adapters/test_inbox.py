"""Whatever a pushed message holds becomes rows or one sentence, in little memory, and harms no other message."""

from __future__ import annotations

import json
import tracemalloc
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.feeds.pushed.messages import Inbox, PushedSettings
from adapters.feeds.pushed.recent import MOST_UNREADABLE
from scanner.market.bars import NO_TIME, RawBars
from scanner.ports import FeedTroubleError, Want
from tests.adapters.feed_servers import rows, told

SERIES = ("HARBOUR", "15m")
WANT = Want(*SERIES, None)
NAMES = ("time", "open", "high", "low", "close", "volume", "symbol", "frame", "done")
TEXTS = st.sampled_from(["1e1000000", "-1e400", "0e999999999999999999", "9" * 5_000, "\ud800", "\0", "", "15m", "true"])
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXTS | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(NAMES), inner, max_size=6),
    max_leaves=20,
)
WAYS: list[dict[str, Any]] = [
    {},
    {"time_unit": "rfc3339", "stamp": "date"},
    {"time_unit": "ns", "symbol": "symbol", "timeframe": "frame", "closed": "done"},
    {"rows": "data[?close > 'x']", "only": "time < symbol"},
    {"rows": "sort_by(@, &time)", "fields": {"close": "floor(close)", "open": "to_number(open)"}},
]


def inbox(**settings: Any) -> Inbox:  # noqa: ANN401 - whatever a test gives
    return Inbox(PushedSettings.model_validate(settings), "test")


def answer(box: Inbox) -> RawBars:
    return box.recent.answer(WANT)


@given(st.sampled_from(WAYS), VALUES)
def test_any_message_is_taken_and_what_cannot_be_read_is_reported(way: dict[str, Any], message: object) -> None:
    box = inbox(**way)
    box.take(json.dumps(message), *SERIES)
    box.take(json.dumps([message]).encode(), *SERIES)
    found = answer(box)
    assert not any("could not be taken in" in text for text in found.unreadable.values())
    numbers = np.stack([found.open, found.high, found.low, found.close])
    spoilt = found.row[(found.stamp == NO_TIME) | np.isnan(numbers).any(axis=0)]
    assert set(spoilt.tolist()) <= set(found.unreadable) <= set(found.row.tolist())


@pytest.mark.parametrize("way", ["s", "ms", "us", "ns"])
def test_a_time_beyond_all_numbers_is_an_unreadable_time(way: str) -> None:
    box = inbox(time_unit=way)
    box.take(json.dumps(rows(1)[0] | {"time": "1e1000000"}), *SERIES)
    found = answer(box)
    assert found.stamp.tolist() == [NO_TIME]
    assert found.unreadable == {0: 'time "1e1000000"'}


def test_a_value_however_deeply_nested_is_an_unreadable_one() -> None:
    # Where exactly the parser or the writer gives up depends on the depth of the stack.
    box = inbox(keep=2_000)
    for depth in range(800, 1_000):
        box.take(json.dumps(rows(1)[0]).replace("100.25", "[" * depth + "]" * depth), *SERIES)
    found = answer(box)
    assert len(found) == len(found.unreadable) == 200
    assert any("nested too deeply" in text for text in found.unreadable.values())


def test_an_expression_that_cannot_compare_what_it_finds_finds_nothing() -> None:
    box = inbox(only="time > 'noon'")
    box.take(json.dumps(rows(1)[0]), *SERIES)
    box = inbox(fields={"close": "floor(close)"})
    box.take(json.dumps(rows(1)[0] | {"close": float("inf")}), *SERIES)
    assert answer(box).unreadable == {0: "close null"}


def test_a_defect_with_one_message_is_reported_and_harms_no_other() -> None:
    def safe(text: str) -> str:
        raise ZeroDivisionError(text)

    box = Inbox(PushedSettings(), "test", safe)
    for message in (rows(1), {"time": "now"}, rows(2)[1:]):
        box.take(json.dumps(message), *SERIES)
    found = answer(box)
    assert told(found[:2]) == rows(2)
    assert found.unreadable == {1: "the message could not be taken in: ZeroDivisionError"}
    nameless = Inbox(PushedSettings(symbol="symbol", timeframe="frame"), "test", safe)
    nameless.take("no JSON")
    with pytest.raises(FeedTroubleError, match="could not be taken in: ZeroDivisionError"):
        nameless.check()


def test_a_name_without_end_is_not_a_name() -> None:
    box = inbox(symbol="symbol", timeframe="frame")
    box.take(json.dumps(rows(1)[0] | {"symbol": "X" * 257, "frame": "15m"}))
    with pytest.raises(FeedTroubleError, match="a row names no instrument"):
        box.check()


def held_by(box: Inbox, messages: list[tuple[bytes, str]]) -> int:
    """Give the bytes that are still held after messages were taken in, each with its symbol."""
    tracemalloc.start()
    try:
        for payload, symbol in messages:
            box.take(payload, symbol, "15m")
        return tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()


def test_a_row_that_cannot_be_read_keeps_nothing_else_of_its_message() -> None:
    # 20 times a message of 1,000 rows, each with one row that cannot be read.
    message = json.dumps([*rows(999), {"time": "never"}]).encode()
    assert len(message) > 100_000
    assert held_by(inbox(keep=20), [(message, "HARBOUR")] * 20) < 1_000_000


def test_unreadable_rows_are_limited_over_all_series_and_the_latest_are_kept() -> None:
    box = inbox()
    message = json.dumps(["?"] * 25).encode()
    assert held_by(box, [(message, f"S{number}") for number in range(440)]) < 40_000_000
    given_back = [len(box.recent.answer(Want(f"S{number}", "15m", None))) for number in range(440)]
    assert sum(given_back) == MOST_UNREADABLE
    assert given_back[-1] == 25


def test_a_part_that_stands_for_many_rows_is_written_out_once() -> None:
    asked = 0

    def safe(text: str) -> str:
        nonlocal asked
        asked += 1
        return text

    box = Inbox(PushedSettings(), "test", safe)
    box.take(json.dumps({"time": list(range(100)), "close": {"x": "y" * 1_000}}), *SERIES)
    assert len(answer(box).unreadable) == 100
    assert asked == 2  # the close, and the other prices, of which there are none
