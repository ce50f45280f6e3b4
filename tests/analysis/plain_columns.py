"""The columns of a series by plain loops, for tests of setups: bars in, what a setup reads out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import (
    ATR,
    CLOSE,
    COLUMNS,
    CROSS,
    EXPONENTIAL_AVERAGE,
    FAST_AVERAGE,
    HIGH,
    LOW,
    OPEN,
    SLOW_AVERAGE,
    USUAL_BODY,
    VOLUME,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def columns_of(opens: Floats, highs: Floats, lows: Floats, closes: Floats, volumes: Floats) -> Floats:
    """Give all columns (COLUMNS × bars) but the session's; the averages are ready from the first bar on, or NaN."""
    bars = len(closes)
    columns = np.full((COLUMNS, bars), np.nan)
    columns[OPEN], columns[HIGH], columns[LOW], columns[CLOSE], columns[VOLUME] = opens, highs, lows, closes, volumes
    columns[EXPONENTIAL_AVERAGE] = exponential(closes, 20)
    macd = exponential(closes, 12) - exponential(closes, 26)
    ahead = macd - exponential(macd, 9)
    last = np.concatenate([closes[:1], closes[:-1]])
    true_ranges = np.maximum(highs, last) - np.minimum(lows, last)
    columns[CROSS] = 0.0
    for t in range(bars):
        for column, length in ((FAST_AVERAGE, 50), (SLOW_AVERAGE, 200)):
            if t + 1 >= length:
                columns[column, t] = closes[t + 1 - length : t + 1].sum() / length
        if t >= 13:
            columns[USUAL_BODY, t] = np.abs(closes - opens)[t - 13 : t + 1].sum() / 14
            before = columns[ATR, t - 1]
            columns[ATR, t] = true_ranges[:14].mean() if t == 13 else (13 * before + true_ranges[t]) / 14
        if t >= 35 and ahead[t] != 0.0:
            side = np.sign(ahead[t])
            columns[CROSS, t] = columns[CROSS, t - 1] + side if np.sign(columns[CROSS, t - 1]) == side else side
    return columns


def exponential(values: Floats, length: int) -> Floats:
    """Give an exponential average that begins at the first value."""
    out = values.astype(float)
    for t in range(1, len(out)):
        out[t] = out[t - 1] + 2 / (length + 1) * (values[t] - out[t - 1])
    return out


def mirrored(columns: Floats) -> Floats:
    """Reflect prices: what was long is short."""
    out = columns.copy()
    for column in (OPEN, CLOSE, FAST_AVERAGE, SLOW_AVERAGE, EXPONENTIAL_AVERAGE, CROSS):
        out[column] = -columns[column]
    out[HIGH], out[LOW] = -columns[LOW], -columns[HIGH]
    return out


def random_columns(seed: int, bars: int = 1000) -> Floats:
    """Give a random walk on a grid of 0.25, coarse enough for equal prices, with moods of rising, falling and rest."""
    random = np.random.default_rng(seed)
    steps = random.integers(-4, 5, (bars, 6)) * random.choice([1, 1, 2], (bars, 1))
    steps += np.repeat(random.integers(-1, 2, -(-bars // 25)), 25)[:bars, None]
    path = 4000 + np.cumsum(steps.ravel()).reshape(bars, 6)
    opens, closes = path[:, 0], path[:, -1]
    highs, lows = path.max(axis=1), path.min(axis=1)
    volumes = random.integers(0, 50, bars).astype(float)
    return columns_of(opens * 0.25, highs * 0.25, lows * 0.25, closes * 0.25, volumes)
