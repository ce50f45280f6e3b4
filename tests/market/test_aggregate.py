"""Aggregation: whole bars, aligned to the sessions, however the finer bars come."""

from __future__ import annotations

from itertools import pairwise
from math import nan
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.market.aggregate import Aggregator
from scanner.market.bars import Bars
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from tests.market.test_sessions import at, written

if TYPE_CHECKING:
    from collections.abc import Sequence

QUARTER = 900 * 1_000_000_000


def base(calendar: str, after: str, until: str, seed: int = 0) -> Bars:
    """Invent the 15-minute bars of a calendar."""
    opens, closes = Timetable(calendar_named(calendar), Timeframe.named("15m")).closes_between(at(after), at(until))
    rng = np.random.default_rng(seed)
    low = rng.integers(50, 100, len(opens)).astype(float)
    high = low + rng.integers(0, 9, len(opens)).astype(float)
    volume = np.where(rng.random(len(opens)) < 0.2, nan, rng.random(len(opens)))
    return Bars(opens, closes, low, high, low, high, volume)


def aggregator(calendar: str, timeframe: str) -> Aggregator:
    return Aggregator(Timeframe.named("15m"), Timetable(calendar_named(calendar), Timeframe.named(timeframe)))


def as_lists(parts: Sequence[Bars]) -> str:
    return str([column.tolist() for column in Bars.joined(list(parts)).columns()])


def test_a_coarse_bar_by_hand() -> None:
    bars = Bars.of(
        [
            (0, QUARTER, 10.0, 12.0, 9.0, 11.0, 1.0),
            (QUARTER, 2 * QUARTER, 11.0, 15.0, 10.0, 14.0, nan),
            (2 * QUARTER, 3 * QUARTER, 14.0, 14.0, 8.0, 9.0, 2.0),
            (3 * QUARTER, 4 * QUARTER, 9.0, 10.0, 9.0, 10.0, 4.0),
        ]
    )
    hour = aggregator("24/7", "1h")
    assert len(hour.push(bars[:3])) == 0
    made = hour.push(bars[3:])
    assert [column.tolist() for column in made.columns()] == [[0], [4 * QUARTER], [10.0], [15.0], [8.0], [10.0], [7.0]]


def test_a_half_day_ends_its_last_bars_early_and_summer_time_moves_them() -> None:
    made = aggregator("XNYS", "4h").push(base("XNYS", "2026-11-25T00:00", "2026-11-28T00:00"))
    assert written(made.close_time) == ["11-25 18:30", "11-25 21:00", "11-27 18:00"]
    made = aggregator("XNYS", "1d").push(base("XNYS", "2026-03-06T00:00", "2026-03-10T00:00"))
    assert written(made.close_time) == ["03-06 21:00", "03-09 20:00"]


def test_a_bar_whose_end_did_not_trade_is_closed_by_the_next_one_or_by_the_clock() -> None:
    bars = base("24/7", "2026-01-02T00:00", "2026-01-02T02:00")
    hour = aggregator("24/7", "1h")
    assert written(hour.push(bars[:3]).close_time) == []
    assert written(hour.push(bars[4:5]).close_time) == ["01-02 01:00"]
    assert written(hour.flush(at("2026-01-02T01:59")).close_time) == []
    assert written(hour.flush(at("2026-01-02T02:00")).close_time) == ["01-02 02:00"]
    # What comes for a bar that was closed by the clock comes too late.
    assert len(hour.push(bars[5:])) == 0


def test_a_bar_that_began_before_the_first_one_seen_is_left_out() -> None:
    bars = base("24/7", "2026-01-02T00:15", "2026-01-02T02:00")
    assert written(aggregator("24/7", "1h").push(bars).close_time) == ["01-02 02:00"]


def test_where_sessions_are_unknown_the_grid_begins_with_the_feed() -> None:
    opens = at("2026-01-02T14:30") + np.arange(8, dtype=np.int64) * 4 * QUARTER
    ones = np.ones(8)
    bars = Bars(opens, opens + 4 * QUARTER, ones, ones, ones, ones, ones)
    made = Aggregator(Timeframe.named("1h"), Timetable(calendar_named("none"), Timeframe.named("2h"))).push(bars)
    assert written(made.open_time) == ["01-02 14:30", "01-02 16:30", "01-02 18:30", "01-02 20:30"]


@pytest.mark.parametrize(
    ("zone", "fine", "coarse", "first", "made"),
    [
        # Midnight in India lies at half past in UTC.
        ("Asia/Kolkata", "1h", "2h", "2026-01-04T18:30", ["01-04 18:30", "01-04 20:30"]),
        ("UTC", "4h", "8h", "2026-01-05T02:00", ["01-05 02:00", "01-05 10:00"]),
    ],
)
def test_where_sessions_are_unknown_no_bar_straddles_two(
    zone: str, fine: str, coarse: str, first: str, made: list[str]
) -> None:
    length = Timeframe.named(fine).nanoseconds
    opens = at(first) + np.arange(4, dtype=np.int64) * length
    ones = np.ones(4)
    bars = Bars(opens, opens + length, ones, ones, ones, ones, ones)
    table = Timetable(calendar_named("none", zone), Timeframe.named(coarse))
    assert written(Aggregator(Timeframe.named(fine), table).push(bars).open_time) == made


def test_a_bar_outside_every_session_is_part_of_none() -> None:
    with pytest.raises(ValueError, match="begins at 2026-07-03 14:00 UTC lies outside every session of XNYS"):
        aggregator("XNYS", "1h").push(base("24/7", "2026-07-03T14:00", "2026-07-03T15:00"))


def test_the_state_is_small_whatever_the_timeframe() -> None:
    week = Aggregator(Timeframe.named("15m"), Timetable(calendar_named("24/7"), Timeframe.named("1w")))
    week.push(base("24/7", "2026-01-05T00:00", "2026-01-11T00:00"))
    assert len(week.snapshot()) < 100
    with pytest.raises(ValueError, match="the state of an aggregator has"):
        week.restore(b"something else")


@pytest.mark.parametrize(("fine", "coarse"), [("1h", "15m"), ("15m", "15m"), ("2m", "3m")])
def test_bars_cannot_be_made_of_coarser_or_unfitting_ones(fine: str, coarse: str) -> None:
    with pytest.raises(ValueError, match=f"{coarse} bars cannot be made of {fine} bars"):
        Aggregator(Timeframe.named(fine), Timetable(calendar_named("24/7"), Timeframe.named(coarse)))


@settings(max_examples=50)
@given(
    st.sampled_from(["XNYS", "24/5", "24/7", "none"]),
    st.sampled_from(["30m", "1h", "4h", "1d", "1w"]),
    st.lists(st.integers(0, 700), max_size=6),
    st.integers(0, 100),
)
def test_how_bars_are_cut_changes_nothing_even_across_a_restart(
    calendar: str, timeframe: str, cuts: list[int], seed: int
) -> None:
    bars = base(calendar, "2026-03-02T00:00", "2026-03-16T00:00", seed)
    kept = np.random.default_rng(seed).random(len(bars)) < 0.9
    bars = Bars(*(column[kept] for column in bars.columns()))
    whole = as_lists([aggregator(calendar, timeframe).push(bars)])
    edges = [0, *sorted(cuts), len(bars)]
    parts, made = aggregator(calendar, timeframe), []
    for first, last in pairwise(edges):
        fresh = aggregator(calendar, timeframe)
        fresh.restore(parts.snapshot())
        parts = fresh
        made.append(parts.push(bars[first:last]))
    assert as_lists(made) == whole
