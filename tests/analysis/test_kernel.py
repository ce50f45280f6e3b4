"""The kernel's indicators against other people's: pandas, scipy, math.fsum, and published tables."""

from __future__ import annotations

from math import fsum
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from scanner.analysis.columns import (
    ATR,
    CROSS,
    EXPONENTIAL_AVERAGE,
    FAST_AVERAGE,
    SESSION_HIGH,
    SESSION_LOW,
    SLOW_AVERAGE,
    USUAL_BODY,
)
from scanner.analysis.indicators.kernel import BLOCK
from scanner.analysis.pool import FEW, MANY, Pool
from scanner.analysis.rules import Rules
from scanner.analysis.series import Series
from scanner.market.bars import Bars
from scanner.trade.around import volatility
from tests.laws import DAY, QUARTER_HOUR, REAL_SERIES, real_series, timetable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STEADY = Rules(hold_atr=1e300)
COLUMNS_OF = {
    "fast": FAST_AVERAGE,
    "slow": SLOW_AVERAGE,
    "average": EXPONENTIAL_AVERAGE,
    "atr": ATR,
    "usual_body": USUAL_BODY,
    "cross": CROSS,
    "session_high": SESSION_HIGH,
    "session_low": SESSION_LOW,
}


def bars_from(ohlc: Floats, length: int = DAY, start: int = 0) -> Bars:
    """Make bars of rows of open, high, low and close."""
    opens = start + length * np.arange(len(ohlc), dtype=np.int64)
    first, high, low, last = np.ascontiguousarray(ohlc.T)
    return Bars(opens, opens + length, first, high, low, last, np.ones(len(ohlc)))


def run(ohlc: Floats, rules: Rules = STEADY, *, length: int = DAY, start: int = 0) -> dict[str, Floats]:
    """Take rows of open, high, low, close in bar by bar, and keep each indicator at each bar."""
    pool = Pool(rules, (), timetable("1d" if length == DAY else "15m"), FEW)
    series, bars = Series(pool), bars_from(ohlc, length, start)
    names = (*COLUMNS_OF, "ema_fast", "ema_slow", "signal", "volatility")
    values = {name: np.empty(len(ohlc)) for name in names}
    for i in range(len(ohlc)):
        for _ in series.take(bars[i : i + 1]):
            pass
        last, state = series.used - 1, pool.state[series.row]
        for name, column in COLUMNS_OF.items():
            values[name][i] = series.columns[column, last]
        for name in ("ema_fast", "ema_slow", "signal"):
            values[name][i] = state[name]
        values["volatility"][i] = volatility(series.deep, last + pool.shift, series.begin_deep, rules.volatility_length)
    return values


def flat(closes: Sequence[float] | Floats) -> Floats:
    return np.repeat(np.array(closes, dtype=float)[:, None], 4, axis=1)


def test_exponential_average_of_the_nist_table() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.4.3.1 (series and alpha from memory; S recomputed
    # with the handbook's formula). Its S lags the observation by one period: S at t is our average at t - 1.
    series = [71, 70, 69, 68, 64, 65, 72, 78, 75, 75, 75, 70]
    smoothed = [71, 70.9, 70.71, 70.439, 69.7951, 69.3156, 69.584, 70.4256, 70.8831, 71.2948, 71.6653]
    values = run(flat(series), Rules(macd_fast=19, macd_slow=26, hold_atr=1e300))[
        "ema_fast"
    ]  # alpha = 2 / (19 + 1) = 0.1
    assert values[:-1] == pytest.approx(smoothed, abs=6e-5)


def test_simple_average_of_the_nist_table() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.4.2 (from memory; recomputed).
    series = [9, 8, 9, 12, 9, 12, 11, 7, 13, 9, 11, 10]
    means = [8.667, 9.667, 10.000, 11.000, 10.667, 10.000, 10.333, 9.667, 11.000, 10.000]
    values = run(flat(series), Rules(fast_average=3, hold_atr=1e300))["fast"]
    assert np.isnan(values[:2]).all()
    assert values[2:] == pytest.approx(means, abs=6e-4)


@pytest.mark.parametrize("name", REAL_SERIES)
def test_every_bar_of_the_real_series_agrees_with_pandas_and_scipy(name: str) -> None:
    from scipy.signal import lfilter  # noqa: PLC0415 - takes a second to load, in every process that collects tests

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
    np.testing.assert_allclose(ours["ema_fast"] - ours["ema_slow"], macd, rtol=1e-9, atol=1e-13 * scale)
    np.testing.assert_allclose(ours["signal"], signal, rtol=1e-9, atol=1e-13 * scale)
    for sign in (1, -1):
        beyond = (sign * (macd - signal) > 1e-11 * close).to_numpy()
        crossed = beyond & ~np.r_[False, beyond[:-1]]
        assert (np.flatnonzero(crossed[34:]) == np.flatnonzero(ours["cross"][34:] == sign)).all()
        since = np.arange(len(close)) - np.maximum.accumulate(np.where(crossed, np.arange(len(close)), 0))
        seen = beyond & (np.maximum.accumulate(np.where(crossed, np.arange(len(close)), -1)) >= 34)
        assert (ours["cross"][seen] == sign * (since[seen] + 1)).all()
        assert (sign * ours["cross"][~seen] <= 0).all()

    last = close.shift(1)
    true_range = pd.Series(np.maximum(bars.high, last.fillna(-np.inf)) - np.minimum(bars.low, last.fillna(np.inf)))
    seeded = true_range.copy()
    seeded[:13], seeded[13] = np.nan, true_range[:14].mean()
    atr = seeded.ewm(alpha=1 / 14, adjust=False).mean()
    same(ours["atr"], atr)
    same(ours["volatility"], atr / atr.rolling(100).mean())
    assert np.flatnonzero(~np.isnan(ours["volatility"]))[0] == 112

    average = close.ewm(span=20, adjust=False).mean()
    same(ours["average"][19:], average[19:])
    assert np.isnan(ours["average"][:19]).all()


def test_a_million_bars_and_a_spike_do_not_make_the_averages_drift() -> None:
    rng = np.random.default_rng(7)
    closes = 0.001 * (1 + rng.random(1_000_000))
    closes[1_000] = 1e9  # what rounding loses at such a sum stays in it until the next block at most
    pool = Pool(STEADY, (), timetable("15m"), MANY)
    series, bars = Series(pool), bars_from(flat(closes), QUARTER_HOUR)
    done = 0
    for t in (2 * BLOCK, 5_000, 500_000, 999_999):
        for _ in series.take(bars[done : t + 1]):
            pass
        done, last = t + 1, series.used - 1
        assert series.columns[FAST_AVERAGE, last] == pytest.approx(fsum(closes[t - 49 : t + 1]) / 50, rel=1e-9)
        assert series.columns[SLOW_AVERAGE, last] == pytest.approx(fsum(closes[t - 199 : t + 1]) / 200, rel=1e-9)


def test_indicators_are_ready_when_they_say() -> None:
    values = run(flat([float(n) for n in range(260)]))
    for name, ready_after in (("fast", 50), ("slow", 200), ("atr", 14), ("usual_body", 14), ("average", 20)):
        assert np.flatnonzero(~np.isnan(values[name]))[0] == ready_after - 1
    # Closes rise by one a bar, so the true range of every bar but the first is one.
    assert values["atr"][13] == pytest.approx(13 / 14)
    assert values["atr"][14] == pytest.approx((13 * 13 / 14 + 1) / 14)


def test_the_session_before_is_known_once_a_whole_session_was_seen() -> None:
    rng, day = np.random.default_rng(3), 96
    closes = 100 + np.cumsum(rng.normal(0, 1, 4 * day))
    ohlc = np.column_stack([closes, closes + 1, closes - 1, closes])[30:]  # the first day is not seen whole
    values = run(ohlc, length=QUARTER_HOUR, start=30 * QUARTER_HOUR)
    whole = day - 30  # the bar at which the second day begins
    assert np.isnan(values["session_high"][: whole + day]).all()
    second = ohlc[whole : whole + day]
    assert (values["session_high"][whole + day : whole + 2 * day] == second[:, 1].max()).all()
    assert (values["session_low"][whole + day : whole + 2 * day] == second[:, 2].min()).all()
    assert np.isnan(run(ohlc)["session_high"]).all()  # for bars of a day there is none
