"""The doji pause: a drive, a bar of indecision, and a second drive of about the same size.

The pause did not turn the move, so it may continue. Every rule is measured here, once, for both directions:
``sign`` is +1 for long, and −1 for short, which is the long side on reflected prices.
"""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

from scanner.analysis.columns import CLOSE, HIGH, LOW, OPEN, VOLUME
from scanner.analysis.numbers import number
from scanner.analysis.rules import TIE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.events import Measure

NAME = "doji_pause"
BARS = 3

RULE_NAMES = (
    "drive_direction",
    "drive_length",
    "not_exhausted",
    "drive_solid",
    "doji_body",
    "doji_short",
    "drives_alike",
    "progress",
    "momentum",
    "traded",
)
(
    DRIVE_DIRECTION,
    DRIVE_LENGTH,
    NOT_EXHAUSTED,
    DRIVE_SOLID,
    DOJI_BODY,
    DOJI_SHORT,
    DRIVES_ALIKE,
    PROGRESS,
    MOMENTUM,
    TRADED,
) = range(len(RULE_NAMES))
DOJI_ALLOWED = len(RULE_NAMES)
"""Where ``measure`` leaves the greatest body that the doji may have, as a part of its range."""

MEASURED = len(RULE_NAMES) + 1
"""How many numbers ``measure`` gives."""


@njit(cache=True, error_model="numpy", inline="always")
def _divided(part: float, whole: float) -> float:
    """Divide; NaN where there is nothing to divide by."""
    return part / whole if whole != 0.0 else np.nan


@njit(cache=True, error_model="numpy")
def measure(
    columns: NDArray[np.float64],
    t: int,
    sign: float,
    rules: Any,
    usual_body: float,
    atr: float,
    since_cross: float,
    measured: NDArray[np.float64],
    verdicts: NDArray[np.uint8],
) -> bool:
    """Measure every rule on the bars t−2, t−1 and t, fill ``measured`` and ``verdicts``, say whether all hold.

    ``columns`` are the series' columns, ``rules`` a RULES record. ``usual_body`` and ``atr`` are those at t−3;
    ``since_cross`` is the number of bars since the MACD line crossed its signal in the setup's direction, NaN
    while it is not beyond it. Ratios are measured as ratios and judged as differences, so that ties are exact.
    """
    open_a, close_a = sign * columns[OPEN, t - 2], sign * columns[CLOSE, t - 2]
    open_d, close_d = sign * columns[OPEN, t - 1], sign * columns[CLOSE, t - 1]
    open_b, close_b = sign * columns[OPEN, t], sign * columns[CLOSE, t]
    body_a, body_d, body_b = abs(close_a - open_a), abs(close_d - open_d), abs(close_b - open_b)
    range_a = columns[HIGH, t - 2] - columns[LOW, t - 2]
    range_d = columns[HIGH, t - 1] - columns[LOW, t - 1]
    range_b = columns[HIGH, t] - columns[LOW, t]
    high_d = columns[HIGH, t - 1] if sign > 0 else -columns[LOW, t - 1]
    tie = 0.0
    for i in range(t - 2, t + 1):
        tie = max(tie, TIE * max(abs(columns[HIGH, i]), abs(columns[LOW, i])))

    measured[DRIVE_DIRECTION] = min(close_a - open_a, close_b - open_b)
    verdicts[DRIVE_DIRECTION] = close_a > open_a and close_b > open_b
    measured[DRIVE_LENGTH] = _divided(body_a, usual_body)
    verdicts[DRIVE_LENGTH] = body_a >= rules.drive_min * usual_body - tie
    measured[NOT_EXHAUSTED] = _divided(range_a, atr)
    verdicts[NOT_EXHAUSTED] = range_a <= rules.drive_max_atr * atr + tie
    measured[DRIVE_SOLID] = min(_divided(body_a, range_a), _divided(body_b, range_b))
    verdicts[DRIVE_SOLID] = body_a >= rules.solid * range_a - tie and body_b >= rules.solid * range_b - tie
    allowed = max(rules.doji_body * range_d, rules.doji_body_of_drive * body_a)
    measured[DOJI_BODY], measured[DOJI_ALLOWED] = _divided(body_d, range_d), _divided(allowed, range_d)
    verdicts[DOJI_BODY] = body_d <= allowed + tie
    measured[DOJI_SHORT] = _divided(range_d, range_a)
    verdicts[DOJI_SHORT] = range_d <= rules.doji_range * range_a + tie
    measured[DRIVES_ALIKE] = _divided(body_b, body_a)
    verdicts[DRIVES_ALIKE] = body_b <= rules.alike * body_a + tie and body_a <= rules.alike * body_b + tie
    measured[PROGRESS] = close_b - max(close_a, high_d)
    verdicts[PROGRESS] = close_b > max(close_a, high_d)
    measured[MOMENTUM] = since_cross
    verdicts[MOMENTUM] = since_cross <= rules.cross_window
    traded = 0
    for i in range(t - 2, t + 1):
        if not (columns[HIGH, i] == columns[LOW, i] and columns[VOLUME, i] == 0.0):
            traded += 1
    measured[TRADED] = traded
    verdicts[TRADED] = traded == BARS
    held = True
    for k in range(len(RULE_NAMES)):
        held &= verdicts[k] != 0
    return held


def describe(measured: NDArray[np.float64], verdicts: NDArray[np.uint8], sign: int, rules: Rules) -> dict[str, Measure]:
    """Put what ``measure`` found into named rules, each with its value, its threshold and its verdict in words."""
    up = "up" if sign > 0 else "down"
    cross = "above" if sign > 0 else "below"
    alike = rules.alike
    momentum = f"bars since the MACD line crossed {cross} its signal"
    if isnan(measured[MOMENTUM]):
        momentum = f"the MACD line is not {cross} its signal"
    allowed = number(measured[DOJI_ALLOWED])
    words = (
        ("> 0", "smaller of the two drives' bodies, counted " + up),
        (f">= {rules.drive_min:g}", "first drive's body in usual bodies"),
        (f"<= {rules.drive_max_atr:g}", "first drive's range in ATR"),
        (f">= {rules.solid:g}", "less solid drive's body as a part of its range"),
        (f"<= {rules.doji_body:g}" if allowed is None else f"<= {allowed:g}", "doji's body as a part of its range"),
        (f"<= {rules.doji_range:g}", "doji's range as a part of the first drive's"),
        (f"{1 / alike:.4g} to {alike:g}", "second drive's body as a part of the first's"),
        ("> 0", "how far the last close lies beyond the first drive's close and the doji"),
        (f"<= {rules.cross_window}", momentum),
        (f">= {BARS}", "bars of the three that traded"),
    )
    return {
        name: {"measured": number(value), "threshold": threshold, "verdict": bool(verdict), "text": text}
        for name, value, verdict, (threshold, text) in zip(
            RULE_NAMES, measured.tolist(), verdicts.tolist(), words, strict=False
        )
    }
