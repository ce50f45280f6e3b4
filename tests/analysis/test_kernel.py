"""The kernel's indicators against other people's: pandas, scipy, math.fsum, and published tables."""

from __future__ import annotations

from math import fsum
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from scipy.signal import argrelextrema, lfilter

from scanner.analysis import kernel
from scanner.analysis.columns import COLUMNS, FAST_AVERAGE, SLOW_AVERAGE, SWING_HIGH, SWING_LOW
from scanner.analysis.rules import Rules
from scanner.analysis.setups import doji_pause
from tests.laws import REAL_SERIES, real_series

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

INDICATORS = ("atr", "usual_body", "ema_fast", "ema_slow", "macd", "signal", "since_up", "since_down")


def run(ohlc: Floats, rules: Rules | None = None) -> dict[str, NDArray[Any]]:
    """Take rows of open, high, low, close in bar by bar and keep each indicator at each bar."""
    rules = rules or Rules()
    columns = np.zeros((COLUMNS, len(ohlc)))
    columns[:4] = ohlc.T
    swings = np.zeros(len(ohlc), dtype=np.uint8)
    state = kernel.fresh_state()
    kept, found = np.empty(len(ohlc), dtype=kernel.STATE), np.empty(1, dtype=kernel.FOUND)
    for i in range(len(ohlc)):
        state["leap_seen"] = True
        kernel.advance(columns, swings, i, i + 1, state, rules.record, found)
        kept[i] = state[0]
    values: dict[str, NDArray[Any]] = {
        name: kept[name][:, -1] if kept[name].ndim > 1 else kept[name] for name in INDICATORS
    }
    return values | {"fast": columns[FAST_AVERAGE], "slow": columns[SLOW_AVERAGE], "swings": swings}


def flat(closes: Sequence[float]) -> Floats:
    return np.repeat(np.array(closes, dtype=float)[:, None], 4, axis=1)


def test_exponential_average_of_the_nist_table() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.4.3.1 (series and alpha from memory; S recomputed
    # with the handbook's formula). Its S lags the observation by one period: S at t is our average at t - 1.
    series = [71, 70, 69, 68, 64, 65, 72, 78, 75, 75, 75, 70]
    smoothed = [71, 70.9, 70.71, 70.439, 69.7951, 69.3156, 69.584, 70.4256, 70.8831, 71.2948, 71.6653]
    values = run(flat(series), Rules(macd_fast=19, macd_slow=26))["ema_fast"]  # alpha = 2 / (19 + 1) = 0.1
    assert values[:-1] == pytest.approx(smoothed, abs=6e-5)


def test_simple_average_of_the_nist_table() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.4.2 (from memory; recomputed).
    series = [9, 8, 9, 12, 9, 12, 11, 7, 13, 9, 11, 10]
    means = [8.667, 9.667, 10.000, 11.000, 10.667, 10.000, 10.333, 9.667, 11.000, 10.000]
    values = run(flat(series), Rules(fast_average=3))["fast"]
    assert np.isnan(values[:2]).all()
    assert values[2:] == pytest.approx(means, abs=6e-4)


@pytest.mark.parametrize("name", REAL_SERIES)
def test_every_bar_of_the_real_series_agrees_with_pandas_and_scipy(name: str) -> None:
    bars = real_series(name)
    ohlc = np.column_stack([bars.open, bars.high, bars.low, bars.close])
    ours = run(ohlc)
    close, body = pd.Series(bars.close), pd.Series(np.abs(bars.close - bars.open))

    def same(mine: Floats, theirs: Floats | pd.Series) -> None:
        np.testing.assert_allclose(mine, np.asarray(theirs), rtol=1e-9, atol=0)

    same(ours["fast"], close.rolling(50).mean())
    same(ours["slow"], close.rolling(200).mean())
    exact = [fsum(body[i - 13 : i + 1]) / 14 for i in range(13, len(body))]  # pandas' rolling mean drifts near zero
    same(ours["usual_body"][13:], np.array(exact))
    assert np.isnan(ours["usual_body"][:13]).all()

    ema = {n: close.ewm(span=n, adjust=False).mean() for n in (12, 26)}
    same(ours["ema_fast"], ema[12])
    for n, mine in ((12, ours["ema_fast"]), (26, ours["ema_slow"])):
        alpha = 2 / (n + 1)
        filtered, _ = lfilter([alpha], [1, alpha - 1], bars.close, zi=[(1 - alpha) * bars.close[0]])
        same(mine, filtered)
    macd = ema[12] - ema[26]
    scale = np.abs(bars.close).max()
    signal = macd.ewm(span=9, adjust=False).mean()
    np.testing.assert_allclose(ours["macd"], macd, rtol=1e-9, atol=1e-13 * scale)
    np.testing.assert_allclose(ours["signal"], signal, rtol=1e-9, atol=1e-13 * scale)
    above = (macd - signal > 1e-11 * close).to_numpy()
    assert ((ours["since_up"] >= 0) == above).all()
    crossed = above & ~np.r_[False, above[:-1]]
    assert (np.flatnonzero(crossed[34:]) == np.flatnonzero(ours["since_up"][34:] == 0)).all()

    last = close.shift(1)
    true_range = pd.Series(np.maximum(bars.high, last.fillna(-np.inf)) - np.minimum(bars.low, last.fillna(np.inf)))
    seeded = true_range.copy()
    seeded[:13], seeded[13] = np.nan, true_range[:14].mean()
    same(ours["atr"], seeded.ewm(alpha=1 / 14, adjust=False).mean())

    # scipy wants strict order on both sides, or none: ours is strict before and not after.
    k = Rules().swing_strength
    for values, bit in ((-bars.high, SWING_HIGH), (bars.low, SWING_LOW)):
        (loose,) = argrelextrema(values, np.less_equal, order=k)
        strict_before = [j for j in loose if k <= j < len(values) - k and (values[j] < values[j - k : j]).all()]
        assert np.flatnonzero(ours["swings"] & bit).tolist() == strict_before


def test_a_million_bars_and_a_spike_do_not_make_the_averages_drift() -> None:
    rng = np.random.default_rng(7)
    closes = 0.001 * (1 + rng.random(1_000_000))
    closes[1_000] = 1e9  # what rounding loses at such a sum must not stay in it
    columns = np.zeros((COLUMNS, len(closes)))
    columns[:4] = closes
    state, rules, swings = kernel.fresh_state(), Rules(hold_atr=1e300), np.zeros(len(closes), dtype=np.uint8)
    found, done = np.empty(2 * kernel.BLOCK, dtype=kernel.FOUND), 0
    while done < len(closes):
        _, done, _ = kernel.advance(columns, swings, done, len(closes), state, rules.record, found)
    for t in (1_300, 5_000, 500_000, 999_999):
        assert columns[FAST_AVERAGE, t] == pytest.approx(fsum(closes[t - 49 : t + 1]) / 50, rel=1e-9)
        assert columns[SLOW_AVERAGE, t] == pytest.approx(fsum(closes[t - 199 : t + 1]) / 200, rel=1e-9)


def test_indicators_are_ready_when_they_say() -> None:
    values = run(flat([float(n) for n in range(260)]))
    for name, ready_after in (("fast", 50), ("slow", 200), ("atr", 14), ("usual_body", 14)):
        assert np.flatnonzero(~np.isnan(values[name]))[0] == ready_after - 1
    # Closes rise by one a bar, so the true range of every bar but the first is one.
    assert values["atr"][13] == pytest.approx(13 / 14)
    assert values["atr"][14] == pytest.approx((13 * 13 / 14 + 1) / 14)


def test_a_swing_low_must_be_lower_than_those_before_and_may_equal_those_after() -> None:
    lows = [5, 4, 3, 2, 2, 3, 4, 5, 6, 5, 5, 9, 9, 9, 9]
    ohlc = np.array([[10, 10, low, 10] for low in lows], dtype=float)
    for known in range(1, len(lows) + 1):
        swings = run(ohlc[:known])["swings"]
        # Bar 3 is known to be a swing low once bar 6 has closed, three bars later, and not before.
        assert np.flatnonzero(swings & SWING_LOW).tolist() == ([3] if known > 6 else [])


@pytest.mark.parametrize("base", [0.0, 1_000.0, 1e10])
def test_the_gate_lets_every_bar_through_that_passes_the_rules(base: float) -> None:
    # At 1e10 a step of 0.01 is as small as the room for ties, and a body of any size is about as long as the next.
    rng, count = np.random.default_rng(11), 20_000
    closes = np.cumsum(rng.integers(-6, 7, count))
    opens = np.concatenate([[0], closes[:-1]]) + rng.integers(-1, 2, count)
    highs = np.maximum(opens, closes) + rng.integers(0, 4, count)
    lows = np.minimum(opens, closes) - rng.integers(0, 4, count)
    ohlc = base + 0.01 * np.column_stack([opens, highs, lows, closes])
    rules = Rules(hold_atr=1e300)
    values = run(np.asarray(ohlc, dtype=np.float64), rules)
    columns = np.zeros((COLUMNS, count))
    columns[:4], columns[4] = ohlc.T, 1.0
    measured, verdicts = np.empty(doji_pause.MEASURED), np.empty(len(doji_pause.RULE_NAMES), dtype=np.uint8)
    expected = []
    for t in range(rules.warm_up - 1, count):
        sign = 1.0 if closes[t] > opens[t] else -1.0
        since = int(values["since_up" if sign > 0 else "since_down"][t])
        usual, atr = values["usual_body"][t - 3], values["atr"][t - 3]
        last = float(since) if since >= 0 else np.nan
        if doji_pause.measure(columns, t, sign, rules.record[0], usual, atr, last, measured, verdicts):
            expected.append(t)
    found = np.empty(count, dtype=kernel.FOUND)
    state, swings = kernel.fresh_state(), np.zeros(count, dtype=np.uint8)
    _, _, number = kernel.advance(columns, swings, 0, count, state, rules.record, found)
    assert found["index"][:number].tolist() == expected
    assert len(expected) > 50
