"""One bar of a window, measured and weighed by a setup."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR
from scanner.analysis.door.setup import LEVELS, Fit
from scanner.analysis.rules import Rules

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Numbers, Setup

ODD = 123.25
"""The value before anything is written."""


def fit_at(setup: Setup[Any], series: NDArray[np.float64], t: int, sign: int, numbers: Numbers | None = None) -> Fit:
    measured, verdicts = np.full((1, len(setup.rules) + setup.extra), ODD), np.full((1, len(setup.rules)), 9, np.uint8)
    points, held = np.full((1, len(setup.points)), ODD), np.full((1, len(setup.points)), 9, dtype=np.uint8)
    levels = np.zeros(1, dtype=LEVELS)
    out = (measured, verdicts, points, held, levels)
    record = (numbers or setup.numbers()).record()
    setup.weigh(series[None], np.array([[0, t, sign]]), record, Rules().record, out)
    said = (measured[0], verdicts[0], points[0], held[0], levels[0])
    return Fit(series, t, sign, float(series[ATR, t]), *said, Rules())
