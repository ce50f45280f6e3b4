"""The plain indicators against published figures, figures computed by hand, and pandas."""

from __future__ import annotations

import math
from decimal import Decimal

import pandas as pd
import pytest

from tests.outside.hand_tapes import bar, prices
from tests.outside.plain_indicators import ema, sma, true_range, wilder
from tests.outside.plain_reading import Reading
from tests.outside.plain_terms import Bar
from tests.outside.random_tapes import tape


def test_smoothing_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.4.3.1, worked table with a weight of 0.1 (series from
    # memory, smoothed values recomputed with its formula); its S lags by one period.
    series = prices("71 70 69 68 64 65 72 78 75 75 75 70")
    smoothed = "71 70.9 70.71 70.439 69.7951 69.3156 69.584 70.4256 70.8831 71.2948 71.6653"
    assert [round(value, 4) for value in ema(series, 19)[:11]] == list(prices(smoothed))


def test_moving_average_of_the_handbook() -> None:
    # The same handbook, section 6.4.2, span 3 (from memory, recomputed).
    series = prices("9 8 9 12 9 12 11 7 13 9 11 10")
    means = "8.667 9.667 10.000 11.000 10.667 10.000 10.333 9.667 11.000 10.000"
    assert [value and round(value, 3) for value in sma(series, 3)] == [None, None, *prices(means)]


def test_true_range_and_wilders_average() -> None:
    # The second bar opens with a gap up, the third with a gap down: 12 − 9, then 10 − 5.
    gaps = [bar("8 10 7 9"), bar("11 12 11 10"), bar("6 7 5 6")]
    assert true_range(gaps) == [3, 3, 5]
    averages = wilder(prices("1 2 3 8 2"), 3)  # 2, then (2·2 + 8) / 3 = 4, then (2·4 + 2) / 3
    assert averages == [None, None, 2, 4, pytest.approx(Decimal(10) / 3)]


def test_the_columns_agree_with_pandas() -> None:
    bars = [Bar.of(*row) for row in tape(2)]
    read_plainly = Reading(bars).sides["long"]
    close = pd.Series([float(one.close) for one in bars])
    body = pd.Series([float(one.body) for one in bars])
    line = close.ewm(span=12, adjust=False).mean() - close.ewm(span=26, adjust=False).mean()
    for column, other in (
        (read_plainly.fast, close.rolling(50).mean()),
        (read_plainly.slow, close.rolling(200).mean()),
        (read_plainly.usual_body, body.rolling(14).mean()),
        (read_plainly.line, line),
        (read_plainly.signal, line.ewm(span=9, adjust=False).mean()),
    ):
        ours = pd.Series([math.nan if value is None else float(value) for value in column])
        pd.testing.assert_series_equal(ours, other, rtol=1e-9, atol=1e-9 * close.abs().max())
