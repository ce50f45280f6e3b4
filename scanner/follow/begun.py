"""The records with which stories begin."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE
from scanner.follow.steps import STORY
from scanner.trade.levels import BEYOND_SLOW, PRICE, RISK, STOP
from scanner.trade.plan import STYLES

BLANK = np.zeros(1, dtype=STORY)
"""A record without any price."""
for _name in ("half", "half_exit", "fill", "exit"):
    BLANK[_name] = np.nan

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.series import Series
    from scanner.judgement import Weighed


def begun(
    series: Series,
    index: Any,  # noqa: ANN401 - each of these is an array, or a sequence of numbers
    sign: Any,  # noqa: ANN401 - as above
    entry: Any,  # noqa: ANN401 - as above
    stop: Any,  # noqa: ANN401 - as above
    step: Any,  # noqa: ANN401 - as above
    ride: Any,  # noqa: ANN401 - as above
    spoiler: NDArray[Any],
    line: tuple[Any, Any],
) -> NDArray[Any]:
    """Give STORY records of setups, one for each bar ``index`` of the window; all prices are real prices.

    ``entry`` is the planned entry of the style that is followed, and ``step`` the price step there. ``spoiler`` has the
    last four fields of LEVELS. ``line`` has the trend line's price at the bar (NaN if there is none) and its rise per
    bar.
    """
    rules, index, sign = series.pool.rules, np.asarray(index), np.asarray(sign, dtype=np.float64)
    style = STYLES.index(rules.entry_style)
    records = np.repeat(BLANK, len(index))
    records["sign"], records["style"] = sign, style
    records["begun"] = index - (series.used - series.count)
    records["next"] = records["begun"] + 1
    records["entry"] = sign * entry
    records["gap"] = rules.gap_limit * series.columns[ATR, index]
    records["reference"] = (sign * series.columns[CLOSE, index], records["entry"], np.nan)[style]
    records["stop"] = records["first_stop"] = sign * stop
    records["step"], records["ride"] = step, ride
    records["beyond"] = sign * spoiler["beyond"]
    for name in ("average", "closes", "bars"):
        records[name] = spoiler[name]
    price, slope = line
    records["line"], records["slope"] = sign * price, sign * slope
    return records


def begun_of(weighed: Weighed) -> NDArray[Any]:
    """Give the records of the rows whose plan has an entry with a risk; their numbers are those of the rows."""
    fits, grid, series = weighed.fits, weighed.grid, weighed.fits.series
    style = STYLES.index(series.pool.rules.entry_style)
    numbers = np.flatnonzero(~np.isnan(weighed.planned[:, RISK + style]))
    rows, planned = weighed.rows[numbers], weighed.planned[numbers]
    (index, sign), places, entry = fits.spots[rows].T, fits.found.places[rows], planned[:, PRICE + style] / grid.units
    slope = np.where(places["line"], places["line_slope"], 0.0)
    records = begun(
        series,
        index,
        sign,
        entry,
        planned[:, STOP] / grid.units,
        grid.steps_at(entry),
        planned[:, BEYOND_SLOW] != 0.0,
        fits.levels[rows],
        (np.where(places["line"], places["line_price"] + slope * places["bottom"], np.nan), slope),
    )
    records["number"] = numbers
    return records
