"""Turns: the bottom is the lowest for long, after a long way down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import DEEP_HIGH, DEEP_LOW
from scanner.analysis.rules import STRICT
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray


@compiled
def find_turn(
    deep: NDArray[np.float64], begin: int, last: int, sign: float, rules: Any, atr: float, tie: float, out: Any
) -> None:
    """Measure the way down to the bottom at bar ``last`` of ``deep`` and put it into the PLACES record ``out``.

    Bars before ``begin`` do not exist; with fewer bars than the window there is no turn.
    """
    highs, lows = (deep[DEEP_HIGH], deep[DEEP_LOW]) if sign > 0 else (deep[DEEP_LOW], deep[DEEP_HIGH])
    strict = rules.place_quality == STRICT
    window = rules.turn_window if strict else rules.plain_turn_window
    depth = rules.turn_depth if strict else rules.plain_turn_depth
    first, p = last - window + 1, last - out.bottom
    lowest, highest = first >= begin and p >= first, -np.inf
    for m in range(max(first, begin), last + 1):
        if sign * lows[m] < out.bottom_price:
            lowest = False
        if m <= p:
            highest = max(highest, sign * highs[m])
    out.turn_lowest, out.turn_depth = lowest, highest - out.bottom_price
    out.turn = lowest and out.turn_depth >= depth * atr - tie
