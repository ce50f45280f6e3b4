"""What is around bars of a series: the places of each, and the obstacles ahead of its close."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, DEEP_HIGH, DEEP_LOW
from scanner.analysis.indicators.swing_marks import mark_swings
from scanner.analysis.places import structure
from scanner.analysis.places.obstacles import find_obstacles
from scanner.analysis.rules import STRICT, TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Marks = NDArray[np.uint8]

PLACE_BITS = LINE, AVERAGE, LEVEL, TURN = 1, 2, 4, 8
"""Bits of the kinds of place, in the order of their names."""
AT_PLACE, WITHIN_REACH = 1, 2
"""Whether the setup has a place that it needs, or needs none, and whether it is near enough to it."""


def room_to_look(rules: Rules, history: int, bars: int) -> tuple[Floats, Marks, Floats]:
    """Make the working space, once for all series whose windows have ``bars`` bars in ``deep``."""
    spare = np.empty((4, history + 2 * max(rules.swing_strength, rules.obstacle_strength)))
    return structure.room_to_look(rules), np.empty(bars, dtype=np.uint8), spare


@compiled
def look_around(
    columns: Floats,
    deep: Floats,
    begins: Integers,
    history: int,
    spots: Integers,
    needed: Marks,
    bases: Floats,
    every: NDArray[np.bool_],
    rules_of_one: NDArray[Any],
    places: NDArray[Any],
    near: Marks,
    prices: Floats,
    kinds: Marks,
    counts: Integers,
    points: Floats,
    marked: Marks,
    spare: Floats,
) -> None:
    """Look around each of ``spots`` (row of the series, bar of ``columns`` and sign), and fill its row of the results.

    ``columns`` and ``deep`` are the windows of a pool. The bars of a spot's series in ``deep`` begin at ``begins``, and
    ``history`` of them are looked at. ``needed`` are bits of the kinds of place of which a setup needs one, in the
    order of PLACE_BITS, and ``bases`` the price that its stop is placed beyond. A spot gets a record of ``places``,
    whether it is AT_PLACE and WITHIN_REACH of it, the obstacles and their number. Unless ``every`` says that all is
    wanted of it, a spot out of reach gets nothing, and one that is not at a place no obstacles. The last three are what
    ``room_to_look`` makes; ``marked`` holds the swing marks around the last spot.
    """
    rules = rules_of_one[0]
    shift, strengths = deep.shape[2] - columns.shape[2], (rules.swing_strength, rules.obstacle_strength)
    for k in range(len(spots)):
        series, window, t, sign = columns[spots[k, 0]], deep[spots[k, 0]], spots[k, 1], float(spots[k, 2])
        last = t + shift
        first = max(last + 1 - history, begins[k])
        atr, near[k], counts[k] = series[ATR, t], 0, 0
        reaches = needed[k] == 0 or rules.place_quality != STRICT
        if not reaches:
            p = structure.pullback_end(window, last, first, sign, rules.pullback_window)
            bottom = window[DEEP_LOW if sign > 0 else DEEP_HIGH, p]
            reaches = is_within_reach(sign, bases[k], bottom, rules.place_reach, atr)
        if not (every[k] or reaches):
            continue
        mark_swings(window[DEEP_LOW], window[DEEP_HIGH], marked, first, first, last + 1, strengths, spare)
        structure.look(window, marked, series, t, shift, first, sign, rules_of_one, atr, places[k : k + 1], points)
        place = places[k]
        held = place.line * LINE | place.average * AVERAGE | place.level * LEVEL | place.turn * TURN
        near[k] |= AT_PLACE if needed[k] == 0 or held & needed[k] else 0
        near[k] |= WITHIN_REACH if reaches else 0
        if every[k] or near[k] == AT_PLACE | WITHIN_REACH:
            where = (window, marked, series, t, shift, first, sign, rules_of_one)
            counts[k] = find_obstacles(*where, prices[k], kinds[k])


@compiled
def is_within_reach(sign: float, base: float, bottom: float, reach: float, atr: float) -> bool:
    """Say whether the base of a stop lies within ``reach`` (in ATR) of the pullback's end."""
    return sign * (base - bottom) <= reach * atr + TIE * abs(base)


@compiled
def look_again(
    columns: Floats,
    deep: Floats,
    begins: Integers,
    history: int,
    spots: Integers,
    rules: NDArray[Any],
    places: NDArray[Any],
    points: Floats,
    marked: Marks,
    spare: Floats,
) -> None:
    """Look at the places around each spot under several ``rules`` with the same lengths.

    ``places`` (spots × rules) gets a record for each; the other arrays are those of ``look_around``.
    """
    shift, strengths = deep.shape[2] - columns.shape[2], (rules[0].swing_strength, rules[0].obstacle_strength)
    for k in range(len(spots)):
        series, window, t, sign = columns[spots[k, 0]], deep[spots[k, 0]], spots[k, 1], float(spots[k, 2])
        last, atr = t + shift, series[ATR, t]
        first = max(last + 1 - history, begins[k])
        mark_swings(window[DEEP_LOW], window[DEEP_HIGH], marked, first, first, last + 1, strengths, spare)
        for n in range(len(rules)):
            one, place = rules[n : n + 1], places[k, n : n + 1]
            structure.look(window, marked, series, t, shift, first, sign, one, atr, place, points)
