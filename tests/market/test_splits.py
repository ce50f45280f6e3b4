"""Splits in real share bars that were not adjusted, and the adjustment of known ones."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.market.bars import Bars
from scanner.market.splits import RATIOS, Adjustment, adjust, suspected_split


@pytest.mark.parametrize("ratio", [*RATIOS, *((old, new) for new, old in RATIOS)])
@given(last=st.floats(0.5, 5_000), off=st.floats(-0.024, 0.024))
def test_an_opening_near_a_usual_ratio_is_suspected(ratio: tuple[int, int], last: float, off: float) -> None:
    new, old = ratio
    assert suspected_split(last, last * old / new * (1 + off), last * 0.01) == ratio


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
