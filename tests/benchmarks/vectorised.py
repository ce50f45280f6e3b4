"""The doji pause, all rules but its place, and the indicators it reads for whole columns, in pandas and polars.

Second opinions for the benchmarks: they must find the same bars as the kernel before their speed is compared.
Ties are judged with the same tolerance as in the kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Columns = dict[str, NDArray[np.float64]]

TIE = 1e-12
WARM_UP = 250


def with_pandas(bars: Columns) -> NDArray[np.int64]:
    """Find the bars that pass; positive for long, negative for short."""
    frame = pd.DataFrame(bars)
    open_, high, low, close, volume = (frame[name] for name in ("open", "high", "low", "close", "volume"))
    last = close.shift(1)
    slow = close.ewm(span=26, adjust=False).mean()
    macd = close.ewm(span=12, adjust=False).mean() - slow
    gap = macd - macd.ewm(span=9, adjust=False).mean()
    true_range = high.where(high > last, last).fillna(high) - low.where(low < last, last).fillna(low)
    seeded = true_range.copy()
    seeded.iloc[:13] = np.nan
    seeded.iloc[13] = true_range.iloc[:14].mean()
    atr = seeded.ewm(alpha=1 / 14, adjust=False).mean()
    body, range_ = (close - open_).abs(), high - low
    usual = body.rolling(14).mean()
    tie = TIE * high.abs().where(high.abs() > low.abs(), low.abs()).rolling(3).max()
    body_a, body_d, range_a, range_d = body.shift(2), body.shift(1), range_.shift(2), range_.shift(1)
    traded = ~((range_ == 0) & (volume == 0))
    common = (
        (body_a >= usual.shift(3) - tie)
        & (np.maximum(range_a, range_) <= 3 * atr.shift(3) + tie)
        & (body_a >= 0.5 * range_a - tie)
        & (body >= 0.5 * range_ - tie)
        & (body_d <= np.maximum(0.10 * range_d, 0.05 * body_a) + tie)
        & (range_d <= 0.75 * range_a + tie)
        & (body <= 1.75 * body_a + tie)
        & (body_a <= 1.75 * body + tie)
        & traded
        & traded.shift(1, fill_value=False)
        & traded.shift(2, fill_value=False)
    )
    found = []
    for sign in (1, -1):
        beyond = sign * gap > TIE * (close.abs() + slow.abs())
        crossed = beyond & ~beyond.shift(1, fill_value=False)
        fresh = crossed.rolling(11, min_periods=1).max().astype(bool)
        move = sign * (close - open_)
        edge = high if sign > 0 else -low
        passes = (
            common
            & (move > 0)
            & (move.shift(2) > 0)
            & (sign * close > np.maximum(sign * close.shift(2), edge.shift(1)))
            & beyond
            & fresh
        )
        passes.iloc[: WARM_UP - 1] = False
        found.append(sign * np.flatnonzero(passes.to_numpy()))
    return np.concatenate(found)


def with_polars(bars: Columns) -> NDArray[np.int64]:
    """Find the bars that pass; positive for long, negative for short."""
    open_, high, low, close, volume = (pl.col(name) for name in ("open", "high", "low", "close", "volume"))
    last = close.shift(1)
    slow = close.ewm_mean(span=26, adjust=False)
    macd = close.ewm_mean(span=12, adjust=False) - slow
    row = pl.int_range(pl.len())
    true_range = pl.max_horizontal(high, last) - pl.min_horizontal(low, last)
    first = (
        pl.when(row < 13)
        .then(None)
        .when(row == 13)
        .then(pl.col("true_range").head(14).mean())
        .otherwise(pl.col("true_range"))
    )
    frame = (
        pl.LazyFrame(bars)
        .with_columns(
            body=(close - open_).abs(),
            range=high - low,
            slow=slow,
            macd=macd,
            true_range=true_range,
            magnitude=pl.max_horizontal(high.abs(), low.abs()),
        )
        .with_columns(
            gap=pl.col("macd") - pl.col("macd").ewm_mean(span=9, adjust=False),
            atr=first.ewm_mean(alpha=1 / 14, adjust=False, ignore_nulls=True),
            usual=pl.col("body").rolling_mean(14),
            tie=TIE * pl.col("magnitude").rolling_max(3),
            traded=~((pl.col("range") == 0) & (volume == 0)),
        )
    )
    body, range_, tie, traded, gap = (pl.col(name) for name in ("body", "range", "tie", "traded", "gap"))
    body_a, body_d, range_a, range_d = body.shift(2), body.shift(1), range_.shift(2), range_.shift(1)
    common = (
        (body_a >= pl.col("usual").shift(3) - tie)
        & (pl.max_horizontal(range_a, range_) <= 3 * pl.col("atr").shift(3) + tie)
        & (body_a >= 0.5 * range_a - tie)
        & (body >= 0.5 * range_ - tie)
        & (body_d <= pl.max_horizontal(0.10 * range_d, 0.05 * body_a) + tie)
        & (range_d <= 0.75 * range_a + tie)
        & (body <= 1.75 * body_a + tie)
        & (body_a <= 1.75 * body + tie)
        & traded
        & traded.shift(1)
        & traded.shift(2)
        & (row >= WARM_UP - 1)
    )
    sides = []
    for sign in (1, -1):
        beyond = sign * gap > TIE * (close.abs() + pl.col("slow").abs())
        crossed = beyond & ~beyond.shift(1, fill_value=False)
        fresh = crossed.cast(pl.UInt8).rolling_max(11, min_samples=1) == 1
        move = sign * (close - open_)
        edge = high if sign > 0 else -low
        ahead = sign * close > pl.max_horizontal(sign * close.shift(2), edge.shift(1))
        passes = common & (move > 0) & (move.shift(2) > 0) & ahead & beyond & fresh
        sides.append(passes.alias(f"side{sign}"))
    result = frame.select(*sides).collect()
    return np.concatenate(
        [sign * np.flatnonzero(result[f"side{sign}"].fill_null(value=False).to_numpy()) for sign in (1, -1)]
    )
