"""Numbers as they are reported."""

from __future__ import annotations

from math import isfinite


def number(value: float) -> float | None:
    """Give a measured value to eight significant digits, None if there was nothing to measure.

    >>> number(1 / 3)
    0.33333333
    """
    return float(f"{value:.8g}") if isfinite(value) else None
