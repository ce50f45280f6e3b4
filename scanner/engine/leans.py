"""Where the bars of a series lean, also those that a hold has dropped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.trend import lean

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.series import Series


class Leans:
    """The leans of the bars of a series, for the next finer timeframe; see ``trend.lean``."""

    __slots__ = ("_before_hold", "_series")

    def __init__(self, series: Series) -> None:
        self._series = series
        self._before_hold: list[tuple[NDArray[np.int64], list[float]]] = []
        """Closes and leans of the bars that a hold dropped: finer bars up to then still need them."""

    def at(self, moment: int) -> float | None:
        """Give the lean of the last bar that closed by a moment; None if unknown."""
        series = self._series
        index = (
            series.begin + int(np.searchsorted(series.times[1, series.begin : series.used], moment, side="right")) - 1
        )
        found = np.nan
        if index >= series.begin:
            found = self._of(index)
        else:
            for closes, leans in self._before_hold:
                if len(closes) and closes[0] <= moment:
                    found = leans[int(np.searchsorted(closes, moment, side="right")) - 1]
        return None if np.isnan(found) else found

    def keep(self) -> None:
        """Keep those of the bars in the window, which a hold is about to drop."""
        series = self._series
        closes = series.times[1, series.begin : series.used].copy()
        self._before_hold.append((closes, [self._of(index) for index in range(series.begin, series.used)]))

    def forget(self) -> None:
        """Forget what was kept, once no finer bars up to then will come."""
        self._before_hold.clear()

    def _of(self, index: int) -> float:
        series, rise = self._series, self._series.pool.rules.average_rise
        return float(lean(series.columns, index, rise)) if index - rise >= series.begin else np.nan
