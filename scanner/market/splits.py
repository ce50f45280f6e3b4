"""Splits and changes of unit: openings that look like one, and known splits, by which the bars before are adjusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import Bars

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from fractions import Fraction

RATIOS = ((2, 1), (3, 1), (3, 2), (4, 1), (5, 1), (7, 1), (10, 1), (20, 1))
"""Common splits, new shares for old; their inverses are as common."""
UNITS = ((10, 1), (100, 1), (1000, 1))
"""Common changes of the price unit, new units for old, such as pence for pounds; and their inverses."""

TOLERANCE = 0.025


def suspected_split(last_close: float, open_: float, atr: float, jump_atr: float) -> tuple[int, int] | None:
    """Give the split or change of unit (new, old) that an opening looks like, if any.

    It does if it lies within 2.5 % of a common ratio to the last close and further than ``jump_atr`` ATR from it.
    Prices at or below zero have no ratio.
    """
    if not (last_close > 0 and open_ > 0 and abs(open_ - last_close) > jump_atr * atr):
        return None
    usual = (*RATIOS, *UNITS)
    candidates = [*usual, *((old, new) for new, old in usual)]
    new, old = min(candidates, key=lambda ratio: abs(open_ / last_close * ratio[0] / ratio[1] - 1))
    return (new, old) if abs(open_ / last_close * new / old - 1) <= TOLERANCE else None


def jump_in_words(ratio: tuple[int, int]) -> str:
    """Say what a price jump by a ratio (new, old) looks like."""
    new, old = ratio
    is_unit = ratio in UNITS or (old, new) in UNITS
    what = "a change of unit, such as from pence to pounds, or a split" if is_unit else "a split"
    return f"opens near {old}:{new} of the last close, as after {what}"


@dataclass(frozen=True, slots=True)
class Adjustment:
    """A known split: from ``time`` (nanoseconds since 1970 UTC) on, ``ratio`` new shares replace one old."""

    time: int
    ratio: Fraction

    def __str__(self) -> str:
        """Name it as traders do: new shares for old."""
        return f"{self.ratio.numerator}:{self.ratio.denominator}"


def in_force(adjustments: Iterable[Adjustment], opened: int) -> tuple[Adjustment, ...]:
    """Give the splits that apply to a series whose last bar opened then.

    A split applies from the first bar that opens at its time or later; until then it changes nothing.
    """
    return tuple(each for each in adjustments if each.time <= opened)


def adjust(bars: Bars, adjustments: Sequence[Adjustment]) -> Bars:
    """Rescale the bars that opened before each adjustment: prices divided, volume multiplied by its ratio."""
    if not adjustments:
        return bars
    factor = np.ones(len(bars))
    for adjustment in adjustments:
        factor[bars.open_time < adjustment.time] *= float(adjustment.ratio)
    return Bars(
        bars.open_time,
        bars.close_time,
        bars.open / factor,
        bars.high / factor,
        bars.low / factor,
        bars.close / factor,
        bars.volume * factor,
    )
