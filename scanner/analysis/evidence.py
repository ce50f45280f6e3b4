"""Evidence beyond the rules: up to ten points that speak for a setup, each with its measured value."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING

from scanner.analysis.columns import CLOSE, FAST_AVERAGE, HIGH, LOW, OPEN, SLOW_AVERAGE, VOLUME
from scanner.analysis.numbers import number
from scanner.analysis.rules import TIE

if TYPE_CHECKING:
    from scanner.analysis.series import Series
    from scanner.events import Measure, PlaceFound


def weigh(series: Series, t: int, sign: int, places: dict[str, PlaceFound]) -> tuple[dict[str, Measure], int, int]:
    """Count what else speaks for the setup at bar ``t``; returns the points by name, how many hold, and of how many.

    The volume is not counted where the feed has none.
    """
    rules = series.rules
    last = series.columns[:, t - 3 : t + 1].tolist()  # the bars P, A, D and B of each column
    open_p, open_a, _, _ = (sign * price for price in last[OPEN])
    close_p, close_a, _, close_b = (sign * price for price in last[CLOSE])
    lows, highs = (last[LOW], last[HIGH]) if sign > 0 else ([-high for high in last[HIGH]], [-low for low in last[LOW]])
    (_, low_a, low_d, _), (_, high_a, high_d, _) = lows, highs
    range_a, range_d, body_p = high_a - low_a, high_d - low_d, abs(close_p - open_p)
    tie = TIE * max(abs(low_a), abs(high_a), abs(low_d), abs(high_d))
    beyond = "above" if sign > 0 else "below"

    points: dict[str, Measure] = {
        f"place_{name}": {
            "measured": place["measured"],
            "threshold": place["threshold"],
            "verdict": place["verdict"],
            "text": f"the place is {name}: {place['text']}",
        }
        for name, place in places.items()
    }
    points["engulfing"] = {
        "measured": number((close_a - open_a) / body_p) if body_p else None,
        "threshold": "covers it",
        "verdict": close_p < open_p and open_a <= close_p and close_a >= open_p,
        "text": "first drive's body in bodies of the bar before, which went the other way and is covered",
    }
    points["doji_inside"] = {
        "measured": number(max(low_a - low_d, high_d - high_a)),
        "threshold": "<= 0",
        "verdict": low_d >= low_a and high_d <= high_a,
        "text": "how far the doji reaches out of the first drive's range",
    }
    points["doji_tight"] = {
        "measured": number(range_d / range_a) if range_a else None,
        "threshold": f"<= {rules.doji_tight:g}",
        "verdict": range_d <= rules.doji_tight * range_a + tie,
        "text": "doji's range as a part of the first drive's",
    }
    for name, which, length in (
        ("beyond_fast_average", FAST_AVERAGE, rules.fast_average),
        ("beyond_slow_average", SLOW_AVERAGE, rules.slow_average),
    ):
        distance = close_b - sign * last[which][-1]
        points[name] = {
            "measured": number(distance),
            "threshold": "> 0",
            "verdict": distance > TIE * abs(close_b),
            "text": f"how far the close lies {beyond} the {length}-bar average",
        }
    mean = series.volume_mean(t)
    if not isnan(mean):
        volume = last[VOLUME][-1]
        points["volume"] = {
            "measured": number(volume / mean) if mean else None,
            "threshold": "> 1",
            "verdict": volume > mean * (1 + TIE),
            "text": f"last bar's volume in means of {rules.volume_length} bars",
        }
    else:
        points["volume"] = {"measured": None, "threshold": "> 1", "verdict": False, "text": "the feed has no volume"}
    total = len(points) - isnan(mean)
    return points, sum(point["verdict"] for point in points.values()), total
