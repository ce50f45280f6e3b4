"""The guard: each kind of bad row is refused with its reason, and nothing depends on how the rows are cut."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from math import inf, nan
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from scanner.market.bars import NO_TIME, Bars, RawBars
from scanner.market.guard import Guard
from scanner.market.order import RowOrder
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from collections.abc import Sequence

QUARTER = 900 * 1_000_000_000
START = 1_767_348_000 * 1_000_000_000  # 2026-01-02 10:00 UTC

Row = tuple[int, float, float, float, float, float]


def raw(rows: Sequence[Row], first_row: int = 2, unreadable: dict[int, str] | None = None) -> RawBars:
    columns = np.array([row[1:] for row in rows], dtype=float).reshape(-1, 5).T
    stamps = np.array([row[0] for row in rows], dtype=np.int64)
    numbers = np.arange(first_row, first_row + len(rows))
    opens, highs, lows, closes, volumes = np.ascontiguousarray(columns)
    return RawBars(stamps, opens, highs, lows, closes, volumes, numbers, "gulls.csv", unreadable=unreadable or {})


def guard(calendar: str = "24/7") -> Guard:
    return Guard(Timetable(calendar_named(calendar), Timeframe.named("15m")))


def good(n: int) -> Row:
    return (START + n * QUARTER, 10.0, 11.0, 9.0, 10.5, 5.0)


def test_a_bar_that_has_not_ended_is_left_out() -> None:
    rows, early, in_time = raw([good(0), good(1)]), guard(), guard()
    in_time.until = START + 2 * QUARTER
    early.until = START + QUARTER
    assert in_time.check(rows).notes == []
    (note,) = early.check(rows).notes
    assert (note.row, note.reason, note.refused) == (3, "not ended", True)
    assert note.text.endswith("ends at 2026-01-02T10:30:00Z, which is after 2026-01-02T10:15:00Z; left out")


@pytest.mark.parametrize(
    ("row", "reason", "said"),
    [
        ((START + QUARTER, nan, 11.0, 9.0, 10.5, 5.0), "unreadable price", "a price is missing or not a number (n/a)"),
        ((START + QUARTER, 10.0, inf, 9.0, 10.5, 5.0), "infinite price", "a price is infinite"),
        ((START + QUARTER, 10.0, 1e15, 9.0, 10.5, 5.0), "impossible price", "a price is 1e+15 or more"),
        ((START + QUARTER, 10.0, 11.0, -1e27, 10.5, 5.0), "impossible price", "low -1e+27"),
        ((START + QUARTER, 10.0, 8.0, 9.0, 10.5, 5.0), "high below low", "high 8, low 9"),
        ((START + QUARTER, 12.0, 11.0, 9.0, 10.5, 5.0), "outside its range", "open 12, high 11"),
        ((START + QUARTER, 10.0, 11.0, 9.0, 8.5, 5.0), "outside its range", "low 9, close 8.5"),
        ((START + QUARTER, 10.0, 11.0, 9.0, 10.5, -1.0), "impossible volume", "the volume is -1"),
        ((NO_TIME, 10.0, 11.0, 9.0, 10.5, 5.0), "unreadable time", "the time is missing or cannot be read (n/a)"),
        ((START + QUARTER + 1, 10.0, 11.0, 9.0, 10.5, 5.0), "misaligned time", "no 15m bar can have the time"),
        ((START, 10.0, 11.0, 9.0, 10.5, 5.0), "repeated time", "with the same prices"),
        ((START, 10.0, 11.0, 9.0, 10.6, 5.0), "repeated time", "with other prices"),
        ((START - QUARTER, 10.0, 11.0, 9.0, 10.5, 5.0), "backward time", "is before that of the last bar"),
    ],
)
def test_a_bad_row_is_refused_with_its_reason_and_the_rest_goes_on(row: Row, reason: str, said: str) -> None:
    checked = guard().check(raw([good(0), row, good(1)], unreadable={3: "n/a"}))
    (note,) = checked.notes
    assert (note.source, note.row, note.reason, note.refused) == ("gulls.csv", 3, reason, True)
    assert said in note.text
    assert checked.counts == {reason: 1}
    assert checked.bars.open_time.tolist() == [START, START + QUARTER]


def test_missing_bars_and_bars_without_trade_are_kept_and_noted() -> None:
    idle = (START + 3 * QUARTER, 10.0, 10.0, 10.0, 10.0, 0.0)
    checked = guard().check(raw([good(0), idle]))
    assert len(checked.bars) == 2
    assert [(note.row, note.reason, note.refused) for note in checked.notes] == [
        (3, "no trade", False),
        (3, "missing bars", False),
    ]
    assert checked.counts == {"missing bars": 2, "no trade": 1}


def test_a_volume_that_cannot_be_read_is_noted_and_the_bar_taken() -> None:
    rows = [good(0), (*good(1)[:5], nan), (*good(2)[:5], nan)]
    checked = guard().check(raw(rows, unreadable={3: 'volume "many"'}))
    assert len(checked.bars) == 3
    assert [(note.row, note.reason, note.text) for note in checked.notes] == [
        (3, "unreadable volume", 'taken without a volume (volume "many")')
    ]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ((20.1, 21.0, 20.0, 20.2, 5.0), "it opens at 1.91 times the last close"),
        ((0.105, 0.11, 0.1, 0.105, 5.0), "it opens at 0.01 times the last close"),
        ((10.5, 110.0, 10.0, 10.6, 5.0), "its high is 10.4 times its open or close"),
        ((10.5, 11.0, 0.1, 10.6, 5.0), "its low is 0.00952 times its open or close"),
        ((10.5, 11.0, 10.0, 10.6, nan), "no volume, unlike the bar before"),
        ((18.0, 19.0, 11.0, 12.0, 5.0), ""),
        ((2.0, 90.0, 1.0, 80.0, 5.0), ""),
        ((-5.0, 10.0, -6.0, 9.0, 5.0), ""),
    ],
)
def test_jumps_in_price_and_a_volume_that_ends_are_noted(row: tuple[float, ...], said: str) -> None:
    first: Row = (START, 10.0, 11.0, 9.0, 10.5, 5.0)
    jumping: Row = (START + QUARTER, *row)  # type: ignore[assignment]  # five
    for cut in ([[first, jumping]], [[first], [jumping]]):
        watching, texts = guard(), []
        for rows in cut:
            texts += [note.text for note in watching.check(raw(rows)).notes]
        assert texts == [said] * bool(said)


def test_negative_prices_are_prices_and_a_missing_volume_is_not_a_fault() -> None:
    checked = guard().check(raw([(START, -10.0, -9.0, -11.0, -9.5, nan)]))
    assert (len(checked.bars), checked.notes) == (1, [])


def test_where_sessions_are_unknown_bars_must_keep_step_and_not_overlap() -> None:
    hours = Guard(Timetable(calendar_named("none"), Timeframe.named("4h")))
    rows = [(START + n * 4 * QUARTER, *good(0)[1:]) for n in (0, 4, 5, 8)]
    rows.insert(2, (START + 4 * 4 * QUARTER + QUARTER, *good(0)[1:]))
    checked = hours.check(raw(rows))
    assert [(note.row, note.reason) for note in checked.notes] == [(4, "misaligned time"), (5, "misaligned time")]
    assert len(checked.bars) == 3


def test_one_wrong_date_costs_one_row_and_a_real_jump_costs_one_too() -> None:
    rows = [good(n) for n in range(4)]
    checked = guard().check(raw([*rows[:2], (START + YEARS, *good(0)[1:]), *rows[2:]]))
    assert (checked.counts, len(checked.bars)) == ({"jump in time": 1}, 4)
    assert "is more than a year after the last bar" in checked.notes[0].text
    later = [(START + YEARS + n * QUARTER, *good(0)[1:]) for n in range(3)]
    checked = guard("none").check(raw([*rows, *later]))
    assert (checked.counts, len(checked.bars)) == ({"jump in time": 1}, 6)


def test_a_first_row_out_of_step_does_not_set_the_step() -> None:
    rows = [good(n) for n in range(1, 5)]
    checked = guard("none").check(raw([(START + 7, *good(0)[1:]), *rows, (START + 5 * QUARTER + 7, *good(0)[1:])]))
    assert [(note.row, note.reason) for note in checked.notes] == [(3, "misaligned time"), (7, "misaligned time")]
    assert len(checked.bars) == 4


@pytest.mark.parametrize(
    ("again", "said"),
    [
        (good(0), "with the same prices and volume"),
        ((*good(0)[:4], 10.25, 5.0), "with other prices and volume"),
        ((*good(0)[:5], 6.0), "with other prices and volume"),
    ],
)
def test_a_repeated_row_is_refused_and_the_first_stays(again: Row, said: str) -> None:
    watch = guard()
    for checked in (watch.check(raw([good(0), again])), watch.check(raw([again]))):
        (note,) = checked.notes
        assert (note.reason, note.refused) == ("repeated time", True)
        assert said in note.text


def test_rows_out_of_order_are_found_among_many() -> None:
    opens = START + QUARTER * np.arange(100_000, dtype=np.int64)
    opens[[500, 70_000]] = opens[[499, 10]]
    faults = RowOrder().take(opens, opens + QUARTER)
    assert [(fault.position, fault.disorder, fault.held) for fault in faults] == [
        (500, "repeated", 499),
        (70_000, "backward", 69_999),
    ]


def test_a_state_of_something_else_is_refused() -> None:
    with pytest.raises(ValueError, match="the state of a guard has"):
        guard().restore(b"something else")


def test_a_million_bad_rows_are_counted_and_only_some_reported() -> None:
    count = 1_000_000
    ones = np.ones(count)
    stamps = START + QUARTER * np.arange(count, dtype=np.int64)
    checked = guard("none").check(RawBars(stamps, ones, ones, ones * 2, ones, ones, np.arange(count), "gulls.csv"))
    assert checked.counts == {"high below low": count}
    assert len(checked.notes) == 1_000


YEARS = 3 * 366 * 96 * QUARTER
CELLS = st.sampled_from([9.0, 10.0, 11.0, nan, inf, -inf, 1e15, -1e15])
SOUND = st.sampled_from([(10.0, 11.0, 9.0, 10.5, 5.0), (10.0, 11.0, 9.0, 10.5, nan), (10.0, 10.0, 10.0, 10.0, 0.0)])
PRICES = st.one_of(SOUND, SOUND, SOUND, st.tuples(CELLS, CELLS, CELLS, CELLS, CELLS))
STAMPS = st.one_of(
    st.sampled_from([START + n * QUARTER for n in range(12)]),
    st.sampled_from([START + 7, START + QUARTER + 7, START + YEARS, START + YEARS + QUARTER, NO_TIME]),
)
DISORDER = st.lists(st.tuples(STAMPS, PRICES), max_size=30)
RUN = st.lists(SOUND, max_size=25).map(lambda run: [(START + n * QUARTER, prices) for n, prices in enumerate(run)])
ROWS = st.tuples(DISORDER, RUN, DISORDER).map(
    lambda parts: [(stamp, *prices) for part in parts for stamp, prices in part]
)


def outcome(parts: Sequence[RawBars], watch: Guard, restarted: Guard | None = None) -> tuple[Any, ...]:
    """Give all that the guard says of the parts; before every second one it is stopped and ``restarted``."""
    checked = []
    for part in parts:
        checked.append(watch.check(part))
        if restarted is not None:
            restarted.restore(watch.snapshot())
            watch, restarted = restarted, watch
    bars = Bars.joined([each.bars for each in checked])
    notes = sorted((note.row, note.reason, note.text) for each in checked for note in each.notes)
    counts: Counter[str] = sum((each.counts for each in checked), Counter())
    return [str(column.tolist()) for column in bars.columns()], notes, sorted(counts.items()), watch.snapshot()


WHOLE = (10.0, 11.0, 9.0, 10.5, 5.0)
OVERRULED = [(START + 7, *WHOLE), (START, *WHOLE), (START, *WHOLE), (START + QUARTER + 7, *WHOLE)]
"""Two bars overrule where the first one says that bars begin; the last goes on from the first."""


@settings(deadline=None)
@given(ROWS, st.lists(st.integers(0, 80), max_size=5), st.sampled_from(["none", "24/7", "24/5"]))
@example(OVERRULED, [3], "none")
def test_how_rows_are_cut_changes_nothing_even_across_a_restart(
    rows: list[Row], cuts: list[int], calendar: str
) -> None:
    whole = outcome([raw(rows)], guard(calendar))
    edges = [0, *sorted(cuts), len(rows)]
    parts = [raw(rows[first:last], 2 + first) for first, last in pairwise(edges) if first < last]
    assert outcome(parts, guard(calendar)) == whole
    one_by_one = [raw([row], 2 + number) for number, row in enumerate(rows)]
    assert outcome(one_by_one, guard(calendar), restarted=guard(calendar)) == whole


@settings(deadline=None)
@given(ROWS)
def test_what_passes_is_in_order_and_every_row_is_taken_or_refused(rows: list[Row]) -> None:
    checked = guard().check(raw(rows))
    assert (np.diff(checked.bars.open_time) > 0).all()
    refused = [note for note in checked.notes if note.refused]
    assert len(checked.bars) + len(refused) == len(rows)
