"""The memory of feeds that are pushed to."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from adapters.feeds.pushed.recent import RecentBars
from adapters.feeds.raw_rows import unreadable_row
from scanner.market.bars import NO_TIME, RawBars
from scanner.ports import Want

SENT = st.lists(st.tuples(st.integers(0, 40), st.integers(1, 3)), max_size=80)
"""Bars as (time, price), in any order, some of them again, perhaps with another price."""


def bar(time: int, price: float, row: int) -> RawBars:
    number = np.array([float(price)])
    whole = np.array([time], dtype=np.int64)
    return RawBars(whole, number, number, number, number, number, np.array([row]), "test")


def found(bars: RawBars) -> dict[int, float]:
    assert bars.stamp.tolist() == sorted(bars.stamp.tolist())
    return dict(zip(bars.stamp.tolist(), bars.close.tolist(), strict=True))


@given(SENT, st.integers(1, 25))
def test_the_newest_bars_are_kept_in_order_each_as_it_was_last_sent(sent: list[tuple[int, int]], keep: int) -> None:
    recent = RecentBars(keep, "test", "open")
    for time, price in sent:
        recent.add("A", "15m", bar(time, price, recent.rows))
    newest = sorted({time for time, _ in sent})[-keep:]
    assert found(recent.answer(Want("A", "15m", None))) == {time: dict(sent)[time] for time in newest}


@given(SENT, st.integers(0, 40), st.data())
def test_an_answer_has_all_since_then_and_all_that_came_or_changed_since_the_last(
    sent: list[tuple[int, int]], since: int, data: st.DataObject
) -> None:
    recent = RecentBars(100, "test", "open")
    known: dict[int, float] = {}
    news: set[int] = set()
    for time, price in sent:
        recent.add("A", "15m", bar(time, price, recent.rows))
        if known.get(time) != price:
            news.add(time)
        known[time] = price
        if data.draw(st.booleans()):
            want = Want("A", "15m", since)
            assert recent.has_news([want]) == bool(news)
            assert found(recent.answer(want)) == {time: known[time] for time in known if time >= since or time in news}
            news.clear()


def test_rows_that_cannot_be_read_are_given_once_and_displace_nothing() -> None:
    recent = RecentBars(3, "test", "open")
    recent.add("A", "15m", bar(10, 5, 0))
    spoilt = RawBars.joined([bar(10, 7, 1), bar(20, np.nan, 2), unreadable_row("no JSON", 3, "test", "open")])
    recent.add("A", "15m", spoilt)
    first, second = (recent.answer(Want("A", "15m", 0)) for _ in range(2))
    assert first.stamp.tolist() == [10, 20, NO_TIME]
    assert first.row.tolist() == [1, 2, 3]
    assert first.unreadable[3] == "no JSON"
    assert found(second) == {10: 7}


def test_series_are_kept_apart_and_an_unknown_one_has_no_rows() -> None:
    recent = RecentBars(3, "test", "close")
    recent.add("A", "15m", bar(10, 5, 0))
    recent.add("A", "1h", bar(10, 6, 1))
    assert found(recent.answer(Want("A", "1h", None))) == {10: 6}
    nothing = recent.answer(Want("B", "15m", None))
    assert len(nothing) == 0
    assert nothing.stamp_kind == "close"
    assert not recent.has_news([Want("B", "15m", None), Want("A", "1h", None)])
    assert recent.has_news([Want("A", "15m", None)])


def test_where_all_series_together_are_full_each_keeps_its_latest_few() -> None:
    recent = RecentBars(100, "test", "open", most=150)
    for time in range(100):
        for name in ("A", "B", "C"):
            recent.add(name, "15m", bar(time, 5, recent.rows))
    kept = [list(found(recent.answer(Want(name, "15m", None)))) for name in ("A", "B", "C")]
    assert sum(map(len, kept)) < 250
    assert all(times == list(range(100 - len(times), 100)) and len(times) >= 16 for times in kept)
