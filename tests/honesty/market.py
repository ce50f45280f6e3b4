"""Invented markets of pure chance: many instruments whose prices are martingales, in bars with gaps and real extremes.

Nobody can gain on such bars: whatever is known at a moment, the mean of the next return is 0. In all other ways they
are as difficult as real markets. Volatility comes in clusters, for the market and for each instrument (stochastic
volatility: its logarithm is an autoregression). Every month has its own volatility and its own share of the common
factor, so there are months in which everything moves together. No month has a drift: after its first days one could
trade the others, which would be an edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import lfilter

from scanner.clocks import DAY
from scanner.market.bars import Bars

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FIRST_DAY = np.datetime64("2000-01-03")
STEPS = 4
"""Parts of a bar. Within each, the price is a Brownian motion of constant volatility; its extremes are drawn."""
GAP = 0.15
"""The share of a day's variance between the previous close and the open; the parts have the rest."""
FAR, OFTEN = 3.0, 0.03
"""How many times wider a rare gap is than others, and how often one occurs."""
USUAL = 0.015
"""The usual standard deviation of a day's return."""
OF_INSTRUMENT, OF_DAYS, OF_MONTH = 0.3, 0.3, 0.25
"""Standard deviations of the logarithm of the volatility: between instruments, from day to day (once for the market,
once for each instrument), and from month to month."""
KEPT = 0.97
"""The share of a deviation of the logarithm of the volatility that remains on the next day."""
TOGETHER = (0.2, 0.8)
"""The bounds of the share of variance in a month that is common to all instruments."""
START = 200.0
TICKS = 100.0
"""Price steps per point."""


@dataclass(frozen=True, slots=True)
class Market:
    """All random draws of a market: for each instrument, bar and part of a bar, the first part being the gap.

    ``steps`` are logarithmic returns (instruments × bars × 1 + STEPS), ``spread`` their standard deviations. ``tops``
    and ``bottoms`` (instruments × bars × STEPS) are logarithms of uniform chance for the extremes of each part.
    ``days`` are the opens of the bars in nanoseconds since 1970 UTC, ``months`` the number of the month of each.
    """

    days: NDArray[np.int64]
    months: NDArray[np.int64]
    steps: Floats
    spread: Floats
    tops: Floats
    bottoms: Floats

    @property
    def size(self) -> tuple[int, int]:
        """The numbers of instruments and bars."""
        return self.steps.shape[0], self.steps.shape[1]


@dataclass(frozen=True, slots=True)
class Prices:
    """Open, high, low and close of some bars on price steps, and the logarithm of the close before it is on a step."""

    open: Floats
    high: Floats
    low: Floats
    close: Floats
    last: Floats


def market(instruments: int, bars: int, seed: int | tuple[int, ...]) -> Market:
    """Draw a market of some instruments and daily bars, without weekends; the same seed gives the same market."""
    rng = np.random.default_rng(seed)
    days = np.busday_offset(FIRST_DAY, np.arange(bars), roll="raise")
    months = days.astype("datetime64[M]").astype(np.int64)
    since = months - months[0]
    shape = (instruments, bars)
    volatility = USUAL * np.exp(
        rng.normal(0, OF_INSTRUMENT, (instruments, 1))
        + _wandering(rng, (1, bars))
        + _wandering(rng, shape)
        + rng.normal(0, OF_MONTH, since[-1] + 1)[since]
    )
    parts = np.sqrt(np.array([GAP, *[(1 - GAP) / STEPS] * STEPS]))
    spread = volatility[:, :, None] * parts
    spread[:, :, 0] *= np.where(rng.random(shape) < OFTEN, FAR, 1.0)
    common = rng.uniform(*TOGETHER, since[-1] + 1)[since][:, None]
    chance = np.sqrt(common) * rng.normal(size=(bars, 1 + STEPS))
    chance = chance + np.sqrt(1 - common) * rng.normal(size=(*shape, 1 + STEPS))
    return Market(
        days.astype("datetime64[ns]").astype(np.int64),
        months,
        spread * chance - spread**2 / 2,
        spread,
        np.log(1 - rng.random((*shape, STEPS))),
        np.log(1 - rng.random((*shape, STEPS))),
    )


def prices(before: Floats, chance: Market, drift: Floats | float = 0.0) -> Prices:
    """Make prices from the draws of some bars; ``before`` are logarithms of the close before each (instruments × bars).

    ``drift`` is added to the logarithmic return of each bar, spread over its parts. The extremes of a part are those of
    a Brownian motion from its first price a to its last price b (by the reflection principle, P(max ≥ m) =
    exp(−2 (m − a)(m − b) / s²)); highest and lowest are drawn apart, which is exact for each alone. So a price at which
    somebody trades within a bar is met there, not jumped over.
    """
    steps = chance.steps.copy()
    steps[:, :, 1:] += np.asarray(drift)[..., None] / STEPS
    path = before[:, :, None] + np.cumsum(steps, axis=2)
    first, last, variance = path[:, :, :-1], path[:, :, 1:], chance.spread[:, :, 1:] ** 2
    middle, way = (first + last) / 2, (last - first) ** 2
    high = (middle + np.sqrt(way - 2 * variance * chance.tops) / 2).max(axis=2)
    low = (middle - np.sqrt(way - 2 * variance * chance.bottoms) / 2).min(axis=2)
    opens, closes = (np.round(TICKS * np.exp(path[:, :, part])) / TICKS for part in (0, -1))
    return Prices(
        opens,
        np.maximum(np.floor(TICKS * np.exp(high)) / TICKS, np.maximum(opens, closes)),
        np.minimum(np.ceil(TICKS * np.exp(low)) / TICKS, np.minimum(opens, closes)),
        closes,
        path[:, :, -1],
    )


def at(chance: Market, bar: int) -> Market:
    """Give the draws of one bar."""
    part = slice(bar, bar + 1)
    columns = (chance.steps, chance.spread, chance.tops, chance.bottoms)
    return Market(chance.days[part], chance.months[part], *(column[:, part] for column in columns))


def bars_of(chance: Market, found: Prices) -> dict[str, Bars]:
    """Give the bars of each instrument."""
    nowhere = np.full(len(chance.days), np.nan)
    columns = zip(found.open, found.high, found.low, found.close, strict=True)
    return {
        f"C{number:02}": Bars(chance.days, chance.days + DAY, *prices_of_it, nowhere)
        for number, prices_of_it in enumerate(columns)
    }


def feed(chance: Market) -> dict[str, Bars]:
    """Give the bars of a market left to itself."""
    moved = np.cumsum(chance.steps.sum(axis=2), axis=1)
    before = np.log(START) + np.concatenate([np.zeros((len(moved), 1)), moved[:, :-1]], axis=1)
    return bars_of(chance, prices(before, chance))


def _wandering(rng: np.random.Generator, shape: tuple[int, int]) -> Floats:
    """Draw autoregressions, one per row, whose standard deviation is always OF_DAYS."""
    moves = rng.normal(0, OF_DAYS * np.sqrt(1 - KEPT**2), shape)
    moves[:, 0] = rng.normal(0, OF_DAYS, shape[0])
    return np.asarray(lfilter([1.0], [1.0, -KEPT], moves, axis=1))
