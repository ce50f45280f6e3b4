"""Averages: a rising simple average to which prices pulled back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.bar_sides import closing, highest
from scanner.analysis.columns import FAST_AVERAGE
from scanner.analysis.places.lacks import AGAINST, AWAY, CLOSE_BEYOND, RISE
from scanner.analysis.rules import STRICT
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray


@compiled
def find_average(
    series: NDArray[np.float64], t: int, first: int, sign: float, rules: Any, atr: float, tie: float, out: Any
) -> None:
    """Find the rising average nearest to the bottom and put it into the PLACES record ``out``.

    Bars of ``series`` before ``first`` do not exist. If no average holds, it is the nearest of those that rise.
    """
    p, bottom = t - out.bottom, out.bottom_price
    if t - rules.average_rise < first:
        return
    nearest = np.inf
    for which in range(2):
        averages = series[FAST_AVERAGE + which]
        now = sign * averages[t]
        rise = now - sign * averages[t - rules.average_rise]
        if not rise > tie:
            continue  # not rising, or not ready (NaN)
        price = sign * averages[p]
        distance = abs(bottom - price)
        away = -np.inf
        for m in range(max(p - rules.average_away_bars, first), p):
            away = max(away, highest(series, m, sign) - sign * averages[m])
        lacks = 0
        if rules.place_quality == STRICT:
            least = rules.fast_average_rise if which == 0 else rules.slow_average_rise
            lacks = (
                RISE * (rise < least * atr - tie)
                | CLOSE_BEYOND * (not closing(series, t, sign) > now + tie)
                | AWAY * (away < rules.average_away * atr - tie)
                | AGAINST * (out.trend < 0)
            )
        holds = lacks == 0 and distance <= out.tolerance + tie
        if (holds and not out.average) or (holds == out.average and distance < nearest - tie):
            nearest = distance
            out.average, out.average_lacks = holds, lacks
            out.average_length = rules.fast_average if which == 0 else rules.slow_average
            out.average_price, out.average_rise, out.average_away = price, rise, away
