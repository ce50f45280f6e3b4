"""The trend by the slow average, and the direction of a coarser bar by the fast one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.analysis.bar_sides import closing
from scanner.analysis.columns import CLOSE, FAST_AVERAGE, SLOW_AVERAGE
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@compiled
def trend(series: NDArray[np.float64], t: int, sign: float, rise: int) -> int:
    """Give the trend at bar ``t``: +1 with the side of ``sign``, −1 against it, 0 for mixed.

    With it: the close is above the slow average, which is above its value ``rise`` bars earlier; against it: both
    reversed. If the average is not ready at either bar, or there are fewer bars, the trend is mixed.
    """
    if t < rise:
        return 0
    tie = TIE * abs(series[CLOSE, t])
    above = closing(series, t, sign) - sign * series[SLOW_AVERAGE, t]
    risen = sign * (series[SLOW_AVERAGE, t] - series[SLOW_AVERAGE, t - rise])
    if above > tie and risen > tie:
        return 1
    return -1 if above < -tie and risen < -tie else 0


@compiled
def lean(series: NDArray[np.float64], t: int, rise: int) -> float:
    """Give the direction of bar ``t`` and its fast average: +1.0 up, −1.0 down, 0.0 neither.

    It is up if the close is above the average and the average has risen in ``rise`` bars, down if both are reversed;
    NaN before the average is ready.
    """
    if t < rise:
        return float("nan")
    close, average, earlier = series[CLOSE, t], series[FAST_AVERAGE, t], series[FAST_AVERAGE, t - rise]
    tie = TIE * abs(close)
    if not (average == average and earlier == earlier):  # noqa: PLR0124 - NaN, in compiled code
        return float("nan")
    if close - average > tie and average - earlier > tie:
        return 1.0
    if close - average < -tie and average - earlier < -tie:
        return -1.0
    return 0.0
