"""Outcomes as columns: the same R as in exact decimals, however prices are written."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from scanner.follow.outcome import exactly, hundredths, in_hundredths

WHOLE = st.integers(-(10**14), 10**14)


@given(WHOLE, st.integers(1, 10**14))
@example(1, 200)  # half of a hundredth, to the even one below
@example(3, 200)  # and above
@example(-1, 200)
@example(-3, 200)
def test_r_is_rounded_as_in_decimals(part: int, whole: int) -> None:
    expected = float(hundredths(Decimal(part), Decimal(whole)))
    for kind in (np.int64, object):
        found = in_hundredths(np.array([part], dtype=kind), np.array([whole], dtype=kind))
        assert found.tolist() == [expected]


@given(st.lists(st.decimals(-(10**9), 10**9, places=4), min_size=1), st.integers(0, 6))
def test_prices_become_whole_numbers_without_any_error(prices: list[Decimal], digits: int) -> None:
    whole, scale = exactly(np.array([float(price) for price in prices]), digits)
    assert [Decimal(int(each)) / Decimal(scale) for each in whole.tolist()] == prices
