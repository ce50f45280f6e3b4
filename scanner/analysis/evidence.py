"""Points of evidence that several setups count, each with its measured value. They describe; they do not predict."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import CROSS, FAST_AVERAGE, VOLUME
from scanner.analysis.numbers import number
from scanner.analysis.rules import TIE

if TYPE_CHECKING:
    from scanner.analysis.setup import Fit
    from scanner.event_data import Measure


def point(measured: float, threshold: str, verdict: bool, text: str) -> Measure:
    """Give a point of evidence; ``measured`` is NaN where there was nothing to measure."""
    return {"measured": number(measured), "threshold": threshold, "verdict": verdict, "text": text}


def beyond_average(fit: Fit, column: int) -> Measure:
    """Say whether the close lies beyond the fast or slow average (its column) on the setup's side."""
    length = fit.rules.fast_average if column == FAST_AVERAGE else fit.rules.slow_average
    distance = fit.sign * (fit.close() - fit.at(column))
    text = f"how far the close lies {fit.word('above', 'below')} the {length}-bar average"
    return point(distance, "> 0", distance > TIE * abs(fit.close()), text)


def fresh_cross(fit: Fit, window: int) -> Measure:
    """Say whether the MACD line crossed its signal toward the setup's side at one of the bars t−window … t."""
    above = fit.word("above", "below")
    bars = fit.sign * fit.at(CROSS) - 1
    if bars < 0:
        return point(float("nan"), f"<= {window}", verdict=False, text=f"the MACD line is not {above} its signal")
    return point(bars, f"<= {window}", bars <= window, f"bars since the MACD line crossed {above} its signal")


def volume(fit: Fit) -> Measure:
    """Say whether the last bar's volume is above its mean; ``threshold`` is empty where the feed has none."""
    return _volume(fit, "> 1")


def quiet_volume(fit: Fit) -> Measure:
    """Say whether the last bar's volume is below its mean; ``threshold`` is empty where the feed has none."""
    return _volume(fit, "< 1")


def _volume(fit: Fit, threshold: str) -> Measure:
    length = fit.rules.volume_length
    first = fit.t + 1 - length
    mean = float(np.add.reduce(fit.series[VOLUME, first : fit.t + 1])) / length if first >= 0 else float("nan")
    if np.isnan(mean):
        return point(mean, "", verdict=False, text="the feed has no volume")
    last = fit.at(VOLUME)
    verdict = last > mean * (1 + TIE) if threshold == "> 1" else last < mean * (1 - TIE)
    ratio = last / mean if mean else float("nan")
    return point(ratio, threshold, verdict, f"last bar's volume in means of {length} bars")


def trend_text(fit: Fit, rise: int) -> str:
    """Say what the smallest distance is that ``bar_sides.trend`` measures."""
    fast, slow, above = fit.rules.fast_average, fit.rules.slow_average, fit.word("above", "below")
    return (
        f"smallest of: close {above} the {fast}-bar average, that {above} the {slow}-bar average, "
        f"its {fit.word('rise', 'fall')} in {rise} bars"
    )
