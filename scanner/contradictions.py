"""What was said of recorded bars, held against the bars: a step that cannot be theirs, and rows that do not fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from decimal import Decimal

    from scanner.market.bars import Bars
    from scanner.market.price_steps import GuessedStep

FEW = 20
"""Rows below which nothing is concluded from how many are refused."""


def check_step(step: Decimal, shown: GuessedStep, bars: Bars) -> None:
    """Raise ValueError where a step cannot be that of some bars; ``shown`` is the one that their prices show."""
    ranges = bars.high - bars.low
    usual = float(np.median(ranges[ranges > 0])) if (ranges > 0).any() else 0.0
    if usual and 2 * float(step) > usual:
        raise ValueError(
            f"--step {step:f} is more than half of the usual range of a bar, {usual:.4g}; give the step at which "
            "prices move, or leave it out to have it guessed"
        )
    if step < shown.step and len(bars) >= FEW:
        raise ValueError(
            f"--step {step:f} is finer than the prices show: {shown.fitting:,} of {shown.prices:,} are multiples of "
            f"{shown.step:f}; give that, or leave the step out to have it guessed"
        )


def is_mostly_refused(refused: int, rows: int) -> bool:
    """Say whether so many rows are refused that what is left is not to be relied on: more than a fifth."""
    return rows >= FEW and 5 * refused > rows
