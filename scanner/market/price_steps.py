"""Price steps: the grid of prices at which an instrument can trade, in exact decimals."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import TYPE_CHECKING, Any, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

EXACT = Context(prec=800)
"""Enough digits for any 64-bit number on any grid."""
MOST_DECIMALS = 8
"""Decimals of the finest step that can be estimated."""
FITTING_PERCENT = 98
"""Per cent of the prices that must be multiples of an estimated step."""

# Commission Delegated Regulation (EU) 2017/588, annex (from memory; the ladder agrees with a public implementation):
# lower price bounds of the rows, the ladder of steps, and the least average daily trades of each liquidity band.
_EU_BOUNDS = (
    *("0", "0.1", "0.2", "0.5", "1", "2", "5", "10", "20", "50", "100", "200"),
    *("500", "1000", "2000", "5000", "10000", "20000", "50000"),
)
_EU_LADDER = (
    *("0.0001", "0.0001", "0.0001", "0.0001", "0.0002", "0.0005", "0.001", "0.002", "0.005", "0.01", "0.02", "0.05"),
    *("0.1", "0.2", "0.5", "1", "2", "5", "10", "20", "50", "100", "200", "500"),
)
_EU_TRADES = (10, 80, 600, 2_000, 9_000)


@dataclass(frozen=True, slots=True)
class PriceSteps:
    """Steps by price band: the step that applies from each lower bound on. Negative prices count by their size."""

    bounds: tuple[Decimal, ...]
    steps: tuple[Decimal, ...]

    def __post_init__(self) -> None:
        """Refuse bands that are out of order or lack a step."""
        if not self.bounds or self.bounds[0] != 0 or list(self.bounds) != sorted(set(self.bounds)):
            raise ValueError("price bands must begin at 0 and rise")
        if len(self.bounds) != len(self.steps) or any(not step.is_finite() or step <= 0 for step in self.steps):
            raise ValueError("every price band needs a step above 0")
        for bound, below, step in zip(self.bounds[1:], self.steps, self.steps[1:], strict=False):
            if bound % below or bound % step:
                raise ValueError(
                    f"the price band from {bound} must begin at a multiple of its step and of the one below"
                )

    @classmethod
    def fixed(cls, step: Decimal) -> Self:
        """Make one step for all prices."""
        return cls((Decimal(0),), (step,))

    @classmethod
    def bands(cls, bands: Sequence[tuple[Decimal, Decimal]]) -> Self:
        """Make steps from pairs (lower bound, step)."""
        return cls(tuple(bound for bound, _ in bands), tuple(step for _, step in bands))

    @classmethod
    def eu_shares(cls, trades_per_day: int) -> Self:
        """Give the steps of shares in the EU, by average daily number of trades (regulation (EU) 2017/588)."""
        if trades_per_day < 0:
            raise ValueError(f"the average daily number of trades must be 0 or more, not {trades_per_day}")
        offset = len(_EU_TRADES) - bisect_right(_EU_TRADES, trades_per_day)
        ladder = _EU_LADDER[offset : offset + len(_EU_BOUNDS)]
        return cls(tuple(map(Decimal, _EU_BOUNDS)), tuple(map(Decimal, ladder)))

    @classmethod
    def us_shares(cls) -> Self:
        """Give the steps of shares in the US: 0.01 from 1.00 on, 0.0001 below.

        17 CFR 242.612, from memory; amended since: a configured step overrules it.
        """
        return cls((Decimal(0), Decimal(1)), (Decimal("0.0001"), Decimal("0.01")))

    def at(self, price: Decimal) -> Decimal:
        """Give the step that applies at a price."""
        if len(self.steps) == 1:
            return self.steps[0]
        return self.steps[bisect_right(self.bounds, abs(price)) - 1]

    def nearest(self, price: Decimal) -> Decimal:
        """Give the price on the grid nearest to ``price``; halfway, the one further from zero."""
        return self.near_or_beyond(price, Decimal("Infinity"), up=True)

    def written(self, price: Decimal) -> str:
        """Write a price with the decimals of its step, or exactly if it lies between two steps."""
        step = self.at(price)
        on_grid = not EXACT.remainder(price, step)
        return f"{EXACT.add(EXACT.quantize(price, step), 0) if on_grid else price:f}"  # avoid negative zero

    def near_or_beyond(self, price: Decimal, hair: Decimal, *, up: bool) -> Decimal:
        """Give the price on the grid that lies within ``hair`` of ``price``; else the next above it, or below it."""
        # Every band's bound lies on its own grid and on that of the band below: rounding never leaves the grid.
        step = self.at(price)
        lots, rest = EXACT.divmod(price, step)
        beside = abs(rest)
        if min(beside, step - beside) <= hair:
            away = (1 if rest > 0 else -1) if 2 * beside >= step else 0
        elif up:
            away = 1 if rest > 0 else 0
        else:
            away = -1 if rest < 0 else 0
        return EXACT.add(EXACT.multiply(EXACT.add(lots, away), step), 0)  # avoid negative zero


@dataclass(frozen=True, slots=True)
class GuessedStep:
    """A step estimated from prices: ``fitting`` of ``prices`` are multiples of it."""

    step: Decimal
    fitting: int
    prices: int


def guess_step(prices: np.ndarray[Any, np.dtype[np.float64]]) -> GuessedStep:
    """Estimate the step of prices: the coarsest power of ten, at most 1, of which 98 % are multiples.

    A few prices finer than the rest, as in an adjusted history, must not decide. Prices that were stored as 32-bit
    numbers (1228.099976 for 1228.10) count as the decimals they came from: within 1e-7 of their size, and a quarter of
    the step, or all prices of millions would be multiples of 1.
    """
    for decimals in range(MOST_DECIMALS + 1):
        near = np.minimum(1e-7 * np.abs(prices), 0.25 * 10.0**-decimals)
        fitting = int(np.count_nonzero(np.abs(prices - np.round(prices, decimals)) <= near))
        if 100 * fitting >= FITTING_PERCENT * len(prices):
            break
    return GuessedStep(Decimal(1).scaleb(-decimals), fitting, len(prices))
