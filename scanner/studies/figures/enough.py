"""How much is enough: which mean these trades can tell from 0, and how many trades others would need."""

from __future__ import annotations

from math import ceil, sqrt
from statistics import NormalDist
from typing import TYPE_CHECKING

from scanner.studies.figures.months import LEVEL, POWER
from scanner.studies.figures.results import Enough, Needed

if TYPE_CHECKING:
    from scanner.studies.figures.results import Figures

BOTH = NormalDist().inv_cdf((1 + LEVEL) / 2) + NormalDist().inv_cdf(POWER)
ASKED = (0.1, 0.2)
"""Means in R for which the number of trades needed to tell them from 0 is given."""


def enough_of(figures: Figures, years: float) -> Enough:
    """Say what the trades of ``years`` can tell, and how many would be needed, two-sided at 5 %, with a power of 80 %.

    The smallest mean that these trades tell from 0 is found on samples of their months. How many trades a mean m takes
    is (1.960 + 0.842)² · spread² / m² (plain normal theory), times the design effect, if that is above 1. Without
    enough months for samples, both are by that theory.
    """
    effect = max(figures.design_effect or 1.0, 1.0)
    a_year = figures.closed / years if figures.closed else None
    spread = figures.spread or None
    return Enough(
        trades=figures.closed,
        spread=figures.spread,
        design_effect=figures.design_effect,
        a_year=a_year,
        smallest=figures.smallest or (None if spread is None else BOTH * spread * sqrt(effect / figures.closed)),
        needed=() if spread is None else tuple(_needed(mean, spread, effect, a_year) for mean in ASKED),
    )


def _needed(mean: float, spread: float, effect: float, a_year: float | None) -> Needed:
    trades = ceil(BOTH**2 * spread**2 / mean**2 * effect)
    return Needed(mean, trades, None if a_year is None else trades / a_year)
