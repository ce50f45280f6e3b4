"""The trend: with, against or mixed."""

from __future__ import annotations

import numpy as np
import pytest

from scanner.analysis.columns import CLOSE, COLUMNS, SLOW_AVERAGE
from scanner.analysis.trend import trend


@pytest.mark.parametrize(
    ("close", "now", "before", "expected"),
    [
        (101.0, 100.0, 99.99, 1),
        (100.0, 100.0, 99.99, 0),
        (101.0, 100.0, 100.0, 0),
        (99.0, 100.0, 100.01, -1),
        (100.0, 100.0, 100.01, 0),
        (99.0, 100.0, 100.0, 0),
        (99.0, 100.0, 99.99, 0),
        (101.0, 100.0, 100.01, 0),
        (101.0, 100.0, float("nan"), 0),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_the_trend(close: float, now: float, before: float, expected: int, sign: int) -> None:
    series = np.full((COLUMNS, 11), np.nan)
    series[CLOSE, 10], series[SLOW_AVERAGE, 10], series[SLOW_AVERAGE, 0] = close, now, before
    assert trend(series, 10, float(sign), 10) == sign * expected
    assert trend(-series, 10, float(-sign), 10) == sign * expected
    assert trend(series[:, 1:].copy(), 9, float(sign), 10) == 0  # the bar ten bars earlier is not there
