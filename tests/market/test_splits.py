"""Splits in real share bars that were not adjusted, and the adjustment of known ones."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.analysis.rules import Rules
from scanner.market.bars import Bars
from scanner.market.splits import RATIOS, UNITS, Adjustment, adjust, jump_in_words
from scanner.market.splits import suspected_split as suspected
from tests.outside.real_bars import DailyBars, shares


def true_ranges(bars: DailyBars) -> list[float]:
    ranges = [float(bars.high[0] - bars.low[0])]
    for day in range(1, len(bars)):
        last = bars.close[day - 1]
        ranges.append(float(max(bars.high[day], last) - min(bars.low[day], last)))
    return ranges


def suspected_split(last: float, first: float, atr: float) -> tuple[int, int] | None:
    return suspected(last, first, atr, Rules().hold_atr)


def suspicions(bars: DailyBars) -> list[tuple[str, tuple[int, int]]]:
    """Look at every opening with Wilder's average true range of 14 bars, computed here by its definition."""
    found, ranges = [], true_ranges(bars)
    atr = sum(ranges[:14]) / 14
    for day in range(14, len(bars)):
        split = suspected_split(float(bars.close[day - 1]), float(bars.open[day]), atr)
        if split:
            found.append((str(bars.date[day]), split))
        atr = (13 * atr + ranges[day]) / 14
    return found


def test_the_openings_of_real_shares_that_are_splits_are_the_only_ones_suspected() -> None:
    # stocks.csv.gz in bokeh-sampledata: daily bars of five shares to 2013, public domain, not adjusted for splits.
    found = {symbol: suspicions(bars) for symbol, bars in shares().items()}
    assert found.pop("AAPL") == [("2000-06-21", (2, 1)), ("2005-02-28", (2, 1))]
    assert found.pop("MSFT") == [("2003-02-18", (2, 1))]
    assert set(found) == {"IBM", "GOOG", "FB"}
    assert not any(found.values())


def test_a_true_fall_to_half_is_not_a_split() -> None:
    # The same data: on 2000-09-29 AAPL opened at 53 % of the last close, and no split took place.
    apple = shares()["AAPL"]
    day = int(np.searchsorted(apple.date, np.datetime64("2000-09-29")))
    last, first = float(apple.close[day - 1]), float(apple.open[day])
    assert round(first / last, 2) == 0.53
    mean_range = sum(true_ranges(apple)[day - 14 : day]) / 14
    assert last - first > 5 * mean_range  # the fall is far beyond the usual range: it is the ratio that tells
    assert suspected_split(last, first, 0.1) is None


def test_a_real_split_that_is_adjusted_is_no_longer_suspected() -> None:
    apple = shares()["AAPL"]
    times = apple.date.astype("datetime64[ns]").astype(np.int64)
    bars = Bars(times, times + 1, apple.open, apple.high, apple.low, apple.close, apple.volume)
    dates = [int(np.datetime64(day, "ns").astype(np.int64)) for day in ("2000-06-21", "2005-02-28")]
    adjusted = adjust(bars, [Adjustment(date, Fraction(2)) for date in dates])
    columns = (adjusted.open, adjusted.high, adjusted.low, adjusted.close, adjusted.volume)
    assert suspicions(DailyBars("AAPL", apple.date, *columns)) == []


USUAL = dict.fromkeys((*RATIOS, *UNITS))


@pytest.mark.parametrize("ratio", [*USUAL, *((old, new) for new, old in USUAL)])
@given(last=st.floats(0.5, 5_000), off=st.floats(-0.024, 0.024))
def test_an_opening_near_a_usual_ratio_is_suspected(ratio: tuple[int, int], last: float, off: float) -> None:
    new, old = ratio
    assert suspected_split(last, last * old / new * (1 + off), last * 0.01) == ratio


@pytest.mark.parametrize("times", [10, 100, 1000])
def test_prices_in_another_unit_are_suspected_up_to_the_tolerance(times: int) -> None:
    for ratio, factor in (((1, times), times), ((times, 1), 1 / times)):
        for off in (0.0249, -0.0249):
            assert suspected_split(3.2, 3.2 * factor * (1 + off), 0.05) == ratio
        for off in (0.0251, -0.0251):
            assert suspected_split(3.2, 3.2 * factor * (1 + off), 0.05) is None
        assert jump_in_words(ratio).endswith("as after a change of unit, such as from pence to pounds, or a split")
    assert jump_in_words((2, 1)) == "opens near 1:2 of the last close, as after a split"


def test_what_is_off_the_ratios_or_within_the_usual_range_is_not() -> None:
    assert suspected_split(53.50, 28.19, 1.0) is None  # a true fall to 53 %
    assert suspected_split(100.0, 50.0, 11.0) is None  # half, but within 5 ATR
    assert suspected_split(100.0, 50.0, 9.0) == (2, 1)
    assert suspected_split(-10.0, -5.0, 0.1) is None


def test_an_adjustment_rescales_only_what_came_before() -> None:
    bars = Bars.of([(t, t + 1, 8.0, 9.0, 7.0, 8.5, 100.0) for t in range(4)])
    adjusted = adjust(bars, [Adjustment(2, Fraction(2)), Adjustment(3, Fraction(1, 4))])
    # Four new for one old at bar 3 backwards: times 4; two for one at bar 2: divided by 2 before it.
    assert adjusted.close.tolist() == [17.0, 17.0, 34.0, 8.5]
    assert adjusted.volume.tolist() == [50.0, 50.0, 25.0, 100.0]
    assert (adjusted.close_time == bars.close_time).all()
    assert np.array_equal(bars.close, np.full(4, 8.5))
