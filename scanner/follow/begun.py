"""The records with which stories begin."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE
from scanner.compiling import compiled
from scanner.follow.steps import AVERAGE, EARLY, STORY
from scanner.trade.levels import BEYOND_SLOW, PRICE, RISK, STOP
from scanner.trade.plan import STYLES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool
    from scanner.judgement import Weighed

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]


def begun(
    pool: Pool,
    spots: Integers,
    prices: Floats,
    rides: NDArray[np.bool_],
    spoilers: NDArray[Any],
) -> NDArray[Any]:
    """Give STORY records of setups, one for each of ``spots`` (row of its series, bar of the window and sign).

    ``prices`` (4 × setups, all real prices) are the planned entry of the style that is followed, the stop, and the
    trend line's price at the bar (NaN if there is none) with its rise per bar. Of ``spoilers``, which are LEVELS
    records, the last four fields count.
    """
    records, style = np.zeros(len(spots), dtype=STORY), STYLES.index(pool.rules.entry_style)
    offsets = pool.used[spots[:, 0]] - pool.state["count"][spots[:, 0]]
    about = (spots, offsets, prices, rides, spoilers, pool.rules.record, style)
    _begin(pool.columns, *about, records)
    return records


@compiled
def _begin(
    columns: Floats,
    spots: Integers,
    offsets: Integers,
    prices: Floats,
    rides: NDArray[np.bool_],
    spoilers: NDArray[Any],
    rules_of_one: NDArray[Any],
    style: int,
    records: NDArray[Any],
) -> None:
    """Fill blank ``records``; ``offsets`` are the bars of the windows that their series saw first."""
    rules = rules_of_one[0]
    for k in range(len(spots)):
        series, t, sign, story, spoiler = columns[spots[k, 0]], spots[k, 1], float(spots[k, 2]), records[k], spoilers[k]
        entry, stop, line, slope = prices[0, k], prices[1, k], prices[2, k], prices[3, k]
        story.sign, story.style = sign, style
        story.begun = t - offsets[k]
        story.next = story.begun + 1
        story.entry = sign * entry
        story.gap = rules.gap_limit * series[ATR, t]
        story.reference = sign * series[CLOSE, t] if style == EARLY else np.nan if style == AVERAGE else story.entry
        story.stop, story.first_stop = sign * stop, sign * stop
        story.ride = rides[k]
        story.beyond, story.average = sign * spoiler.beyond, spoiler.average
        story.closes, story.bars = spoiler.closes, spoiler.bars
        story.line, story.slope = sign * line, sign * slope
        story.half, story.half_exit, story.fill, story.exit = np.nan, np.nan, np.nan, np.nan


def begun_of(weighed: Weighed) -> NDArray[Any]:
    """Give the records of the rows whose plan has an entry with a risk; their numbers are those of the rows."""
    fits, style = weighed.fits, STYLES.index(weighed.fits.pool.rules.entry_style)
    numbers = np.flatnonzero(~np.isnan(weighed.planned[:, RISK + style]))
    rows = weighed.rows[numbers]
    prices, rides = np.empty((4, len(rows))), np.empty(len(rows), dtype=np.bool_)
    _take_from(weighed.planned[numbers], fits.found.places[rows], style, weighed.units[numbers], prices, rides)
    records = begun(fits.pool, fits.spots[rows], prices, rides, fits.levels[rows])
    records["number"] = numbers
    return records


@compiled
def _take_from(
    planned: Floats, places: NDArray[Any], style: int, units: Floats, prices: Floats, rides: NDArray[np.bool_]
) -> None:
    """Fill the prices of ``begun``, and whether each is a ride, from plans and PLACES."""
    for k in range(len(planned)):
        place = places[k]
        prices[0, k], prices[1, k] = planned[k, PRICE + style] / units[k], planned[k, STOP] / units[k]
        prices[3, k] = place.line_slope if place.line else 0.0
        prices[2, k] = place.line_price + prices[3, k] * place.bottom if place.line else np.nan
        rides[k] = planned[k, BEYOND_SLOW] != 0.0
