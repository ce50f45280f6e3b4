"""The sieve: bars that look like bad ticks are taken out, never two in a row, however the rows are cut."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.analysis.indicators.spike_sieve import SpikeSieve
from scanner.analysis.rules import Rules
from scanner.market.bars import RawBars
from scanner.market.guard import Guard
from scanner.market.splits import Adjustment
from tests.laws import bars_of, timetable
from tests.outside.plain_reading import Reading
from tests.outside.random_tapes import tape
from tests.outside.spiked_tapes import spiked
from tests.outside.two_readings import plain_bars

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.market.bars import Bars
    from tests.laws import Row

DROPPING = Rules(drop_spikes=True)
WICK, JUST_NOT = (100.0, 121.01, 99.0, 100.0, 1.0), (100.0, 121.0, 99.0, 100.0, 1.0)
AWAY = (140.0, 141.0, 139.0, 140.0, 1.0)


def quiet(number: int) -> Row:
    """Give one of bars of which the ATR is 2."""
    return 100 + (1 if number % 2 == 0 else -1), 101.0, 99.0, 100.0, 100.0


def taken_out(rows: Sequence[Row], known: Sequence[int] = (), adjustments: Sequence[Adjustment] = ()) -> list[int]:
    """Say which rows are taken out after twenty quiet bars, from 0 on."""
    bars = bars_of([*map(quiet, range(20)), *rows])
    flags = np.isin(np.arange(len(bars)), [20 + number for number in known])
    return [number - 20 for number in SpikeSieve(DROPPING, adjustments).sift(bars, flags)]


@pytest.mark.parametrize(
    ("rows", "out"),
    [
        ([WICK, quiet(0)], [0]),
        ([JUST_NOT, quiet(0)], []),
        ([AWAY, quiet(0), AWAY, quiet(0)], [0, 2]),
        ([AWAY, AWAY, AWAY], [0]),  # a price that goes and stays
        ([WICK, WICK, quiet(0)], [0]),
        ([WICK, quiet(0), JUST_NOT], [0]),  # what was taken out lifts no ATR: 10 of them are 20 as before
        ([WICK, quiet(0), WICK], [0, 2]),
    ],
)
def test_a_spike_is_taken_out_and_never_two_in_a_row(rows: list[Row], out: list[int]) -> None:
    assert taken_out(rows) == out


def test_what_is_known_stays_and_counts() -> None:
    assert taken_out([WICK, quiet(0), WICK], known=[0]) == []  # the second lies no further than the first
    assert taken_out([AWAY, quiet(0)], known=[0]) == []


def test_a_known_split_is_none() -> None:
    halves: list[Row] = [(50 + number % 2, 51.0, 49.5, 50.0, 1.0) for number in range(6)]
    day = int(bars_of([*map(quiet, range(20)), *halves]).open_time[20])
    assert taken_out(halves) == [0]
    assert taken_out(halves, adjustments=[Adjustment(day, Fraction(2))]) == []


def test_what_is_odd_is_described_by_the_comparison_with_the_bars_before() -> None:
    bars = bars_of([*map(quiet, range(20)), WICK, quiet(0), AWAY])
    assert SpikeSieve(DROPPING).sift(bars, np.zeros(len(bars), dtype=np.bool_)) == {
        20: "its high 121.01 lies 10.0 ATR above the 14 bars before it, and above its own open and close",
        22: "its open 140 and close 140 lie 19.5 ATR above the 14 bars before it",
    }


def guarded(bars: Bars, edges: Sequence[int], *, restarted: bool) -> tuple[list[int], list[tuple[int, str]], bytes]:
    """Let bars through a guard with a sieve, cut at the edges; gives opening times, notes, and what is kept."""

    def fresh() -> Guard:
        return Guard(timetable(), sieve=SpikeSieve(DROPPING))

    guard, opens, notes = fresh(), [], []
    for first, last in pairwise([0, *edges, len(bars)]):
        checked = guard.check(raw(bars, first, last))
        opens += checked.bars.open_time.tolist()
        notes += [(note.row, note.text) for note in checked.notes if note.refused]
        assert checked.rows.tolist() == np.searchsorted(bars.open_time, checked.bars.open_time).tolist()
        if restarted:
            kept, guard = guard.snapshot(), fresh()
            guard.restore(kept)
    return opens, notes, guard.snapshot()


def raw(bars: Bars, first: int, last: int) -> RawBars:
    part = bars[first:last]
    columns = (part.open, part.high, part.low, part.close, part.volume)
    return RawBars(part.open_time, *columns, np.arange(first, last), "gulls.csv")


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 1_500), max_size=8))
def test_how_rows_are_cut_changes_nothing_even_across_restarts(seed: int, cuts: list[int]) -> None:
    bars = bars_of(spiked(tape(seed), seed))
    whole = guarded(bars, [], restarted=False)
    edges = sorted(cut for cut in cuts if cut < len(bars))
    assert guarded(bars, edges, restarted=True) == whole


@pytest.mark.parametrize("seed", [3, 8, 13])
def test_the_first_that_is_taken_out_is_the_first_that_is_suspected(seed: int) -> None:
    bars = bars_of(spiked(tape(seed), seed))
    first = Reading(plain_bars(bars)).spikes[0].bar
    assert min(SpikeSieve(DROPPING).sift(bars, np.zeros(len(bars), dtype=np.bool_))) == first
