"""Obstacles: the prices ahead of a close at which a move has turned before, or may."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import (
    CLOSE,
    DEEP_HIGH,
    DEEP_LOW,
    FAR_HIGH,
    FAR_LOW,
    FAST_AVERAGE,
    SESSION_HIGH,
    SESSION_LOW,
    SLOW_AVERAGE,
)
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]
    Marks = NDArray[np.uint8]

HIGHEST, SESSION, FAST, SLOW, SWING = range(5)
"""Kinds of obstacle; several at one price are named by the first of these."""


def room_for_obstacles(rules: Rules, spots: int) -> tuple[Floats, Marks]:
    """Make the arrays that ``find_obstacles`` fills with prices and kinds, a row for each of so many spots."""
    shape = spots, rules.obstacle_span + SWING  # one of each other kind
    return np.empty(shape), np.empty(shape, dtype=np.uint8)


@compiled
def put_in(price: float, kind: int, tie: float, count: int, prices: Floats, kinds: Marks) -> int:
    """Insert a price among the first ``count``, which are ascending, unless one of them is equal."""
    at = 0
    while at < count and prices[at] < price - tie:
        at += 1
    if at < count and prices[at] <= price + tie:
        return count
    for m in range(count, at, -1):
        prices[m], kinds[m] = prices[m - 1], kinds[m - 1]
    prices[at], kinds[at] = price, kind
    return count + 1


@compiled
def find_obstacles(
    deep: Floats,
    marks: Marks,
    series: Floats,
    t: int,
    shift: int,
    begin: int,
    sign: float,
    rules_of_one: NDArray[Any],
    prices: Floats,
    kinds: Marks,
) -> int:
    """Give prices and kinds of all obstacles beyond the close of bar ``t``, the nearest first; returns how many.

    The arrays are those of ``structure.look``; ``prices`` and ``kinds`` are rows of what ``room_for_obstacles``
    makes. Prices are real. Only bars up to t are read, and only swing points that these have confirmed.
    """
    rules = rules_of_one[0]
    highs, far = (deep[DEEP_HIGH], FAR_HIGH) if sign > 0 else (deep[DEEP_LOW], FAR_LOW)
    close, tie = sign * series[CLOSE, t], TIE * abs(series[CLOSE, t])
    last = t + shift
    first = max(last - rules.obstacle_span + 1, begin)

    highest = -np.inf
    for m in range(first, last + 1):
        highest = max(highest, sign * highs[m])
    session = sign * (series[SESSION_HIGH, t] if sign > 0 else series[SESSION_LOW, t])
    fast, slow = sign * series[FAST_AVERAGE, t], sign * series[SLOW_AVERAGE, t]
    count = 0
    for kind, price in ((HIGHEST, highest), (SESSION, session), (FAST, fast), (SLOW, slow)):
        if price > close + tie:  # NaN is not
            count = put_in(price, kind, tie, count, prices, kinds)
    for j in range(first, last - rules.obstacle_strength + 1):
        if marks[j] & far and sign * highs[j] > close + tie:
            count = put_in(sign * highs[j], SWING, tie, count, prices, kinds)
    for m in range(count):
        prices[m] *= sign
    return count


def obstacle_words(kind: int, sign: int, rules: Rules) -> str:
    """Say what an obstacle is."""
    high = "high" if sign > 0 else "low"
    if kind == HIGHEST:
        return f"{high}est {high} of {rules.obstacle_span} bars"
    if kind == SESSION:
        return f"{high} of the session before"
    if kind == SWING:
        return f"swing {high}"
    return f"{rules.fast_average if kind == FAST else rules.slow_average}-bar average"
