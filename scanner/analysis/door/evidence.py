"""Points of evidence that several setups count, each with its measured value. They describe; they do not predict.

The compiled functions give the measured value, NaN if there is nothing to measure, and whether the point holds; beside
each is the function that gives its threshold and text.
"""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.bar_sides import closing, since_cross
from scanner.analysis.columns import CLOSE, FAST_AVERAGE, VOLUME
from scanner.analysis.door.setup import ABSENT, HOLDS, UNKNOWN
from scanner.analysis.numbers import number
from scanner.analysis.rules import TIE
from scanner.compiling import compiled, inlined

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Fit
    from scanner.event_data import Measure

    Floats = NDArray[np.float64]


def told(
    names: Sequence[str], points: Floats, held: NDArray[np.uint8], words: Mapping[str, tuple[str, str]]
) -> dict[str, Measure]:
    """Give the points of evidence of a setup at a bar, by name; one that cannot be judged has an empty threshold."""
    return {
        name: {
            "measured": number(value),
            "threshold": "" if holds == UNKNOWN else words[name][0],
            "verdict": holds == HOLDS,
            "text": words[name][1],
        }
        for name, value, holds in zip(names, points.tolist(), held.tolist(), strict=True)
        if holds != ABSENT
    }


@inlined
def beyond_average(series: Floats, t: int, sign: float, column: int) -> tuple[float, int]:
    """Measure how far the close lies beyond the fast or slow average (its column) on the setup's side."""
    distance = closing(series, t, sign) - sign * series[column, t]
    return distance, int(distance > TIE * abs(series[CLOSE, t]))


def beyond_average_words(fit: Fit, column: int) -> tuple[str, str]:
    """Give its threshold and text."""
    length = fit.rules.fast_average if column == FAST_AVERAGE else fit.rules.slow_average
    return "> 0", f"how far the close lies {fit.word('above', 'below')} the {length}-bar average"


@compiled
def fresh_cross(series: Floats, t: int, sign: float, window: int) -> tuple[float, int]:
    """Give the bars since the MACD line crossed toward the setup's side; it holds if they are at most ``window``."""
    bars = since_cross(series, t, sign)
    return bars, int(bars <= window)


def fresh_cross_words(fit: Fit, point: int, window: int) -> tuple[str, str]:
    """Give its threshold and text; ``point`` is its number among the setup's."""
    above = fit.word("above", "below")
    if isnan(fit.points[point]):
        return f"<= {window}", f"the MACD line is not {above} its signal"
    return f"<= {window}", f"bars since the MACD line crossed {above} its signal"


@compiled
def volume(series: Floats, t: int, rules: Any) -> tuple[float, int]:
    """Give the last bar's volume as a multiple of the mean; it holds above 1, and is unknown without volume."""
    mean = _mean_volume(series, t, rules)
    return series[VOLUME, t] / mean, UNKNOWN if np.isnan(mean) else int(series[VOLUME, t] > mean * (1 + TIE))


@compiled
def quiet_volume(series: Floats, t: int, rules: Any) -> tuple[float, int]:
    """Give the last bar's volume as a multiple of the mean; it holds below 1, and is unknown without volume."""
    mean = _mean_volume(series, t, rules)
    return series[VOLUME, t] / mean, UNKNOWN if np.isnan(mean) else int(series[VOLUME, t] < mean * (1 - TIE))


@compiled
def _mean_volume(series: Floats, t: int, rules: Any) -> float:
    first = t + 1 - rules.volume_length
    if first < 0:
        return np.nan
    total = 0.0
    for i in range(first, t + 1):
        total += series[VOLUME, i]
    return total / rules.volume_length if total != 0.0 else np.nan


def volume_words(fit: Fit, point: int, threshold: str = "> 1") -> tuple[str, str]:
    """Give the threshold and text of either; ``point`` is its number among the setup's."""
    if fit.held[point] == UNKNOWN:
        return threshold, "the feed has no volume"
    return threshold, f"last bar's volume as a multiple of the mean of {fit.rules.volume_length} bars"


def trend_text(fit: Fit, rise: int) -> str:
    """Describe the distances of which ``bar_sides.trend_margin`` gives the smallest."""
    fast, slow, above = fit.rules.fast_average, fit.rules.slow_average, fit.word("above", "below")
    return (
        f"smallest of: close {above} the {fast}-bar average, that {above} the {slow}-bar average, "
        f"its {fit.word('rise', 'fall')} in {rise} bars"
    )
