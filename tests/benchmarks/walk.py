"""Invented bars for the benchmarks: a price that wanders on steps of 0.01."""

from __future__ import annotations

import numpy as np

from scanner.market.bars import Bars

MINUTE = 60 * 1_000_000_000
START = 946_684_800 * 1_000_000_000


def random_walk(count: int, seed: int = 1) -> Bars:
    """Give bars of a minute without gaps."""
    rng = np.random.default_rng(seed)
    close = np.round(1_000 + np.cumsum(rng.normal(0, 0.1, count)), 2)
    open_ = np.round(np.concatenate([[1_000], close[:-1]]) + rng.normal(0, 0.02, count), 2)
    high = np.round(np.maximum(open_, close) + np.abs(rng.normal(0, 0.05, count)), 2)
    low = np.round(np.minimum(open_, close) - np.abs(rng.normal(0, 0.05, count)), 2)
    opens = START + MINUTE * np.arange(count, dtype=np.int64)
    return Bars(opens, opens + MINUTE, open_, high, low, close, np.round(rng.gamma(2, 500, count)))
