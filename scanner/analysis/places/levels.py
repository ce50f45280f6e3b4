"""Levels: a price at which swing points lie, and to which prices pulled back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import DEEP_HIGH, DEEP_LOW, SWING_HIGH, SWING_LOW
from scanner.analysis.places.lacks import APART, AWAY
from scanner.analysis.rules import STRICT
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

POINTS_OF_A_LEVEL = 2


@compiled
def find_level(
    deep: NDArray[np.float64],
    marks: NDArray[np.uint8],
    first: int,
    last: int,
    sign: float,
    rules: Any,
    atr: float,
    tie: float,
    out: Any,
) -> None:
    """Gather the swing points near the bottom at bar ``last`` of ``deep`` and put them into the PLACES record ``out``.

    Lows and highs both count, from bar ``first`` on.
    """
    highs = deep[DEEP_HIGH] if sign > 0 else deep[DEEP_LOW]
    strict = rules.place_quality == STRICT
    p, bottom = last - out.bottom, out.bottom_price
    gap = max(rules.swing_strength, rules.level_last_gap) if strict else rules.swing_strength
    points, total, earliest, latest = 0, 0.0, p, p
    for j in range(first, p - gap + 1):
        for bit in (SWING_LOW, SWING_HIGH):
            price = sign * (deep[DEEP_LOW, j] if bit == SWING_LOW else deep[DEEP_HIGH, j])
            if marks[j] & bit and abs(price - bottom) <= out.tolerance + tie:
                earliest = j if points == 0 else earliest
                latest = j
                points, total = points + 1, total + price
    out.level_points = points
    if points == 0:
        return
    away = -np.inf
    for m in range(latest + 1, p):
        away = max(away, sign * highs[m] - bottom)
    lacks = 0
    if strict:
        lacks = APART * (latest - earliest < rules.level_gap) | AWAY * (away < rules.level_away * atr - tie)
    out.level, out.level_lacks = points >= POINTS_OF_A_LEVEL and lacks == 0, lacks
    out.level_from, out.level_to = last - earliest, last - latest
    out.level_price, out.level_away = total / points, away
