"""Stories as columns of the table of trades."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.clocks import HOUR
from scanner.follow import steps
from scanner.follow.outcome import decimals, exactly, real_prices
from scanner.judgement import places_of
from scanner.trade.around import FAILS, HOLDS, UNJUDGED
from scanner.trade.levels import BEYOND_SLOW, grid_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.judgement import Weighed
    from scanner.market.instruments import Instrument

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

Columns = dict[str, Any]
"""Columns of the table of trades by name: arrays, or lists of texts; times are nanoseconds since 1970 UTC."""

NO_COST_GIVEN = 0.05
"""The cost of a trade in R if no costs are given."""

HOURS, MONTHS_BY_1970 = 24, 12 * 1970
NO_TIME = np.datetime64("NaT", "ns")
WHOLE = {FAILS: "fails", HOLDS: "holds", UNJUDGED: "unknown"}
"""The verdict on a surrounding, in words, by its code."""


def told_of(weighed: Weighed, numbers: Integers) -> Columns:
    """Give the columns of some rows about the setups themselves; ``around`` has one for each surrounding."""
    fits, rows = weighed.fits, weighed.rows[numbers]
    setups, aside = fits.pool.setups, weighed.set_aside.tolist()
    return {
        "id": weighed.threads(numbers),
        "setup": [setups[which].setup.name for which in fits.which[rows].tolist()],
        "direction": directions(fits.spots[rows, 2]),
        "place": places_of(fits.found.places[rows], ""),
        "set_aside": [weighed.why_set_aside(number) if aside[number] else "" for number in numbers.tolist()],
        "evidence_points": fits.counted[rows],
        "evidence_total": fits.total[rows],
        "exit_style": exit_styles(weighed.planned[numbers, BEYOND_SLOW] != 0.0),
        "around": weighed.looked.whole[numbers],
    }


def directions(signs: Integers) -> list[str]:
    """Name sides."""
    return ["long" if sign > 0 else "short" for sign in signs.tolist()]


def exit_styles(rides: NDArray[np.bool_]) -> list[str]:
    """Name ways of exit."""
    return ["ride" if ride else "quick" for ride in rides.tolist()]


def when(found_at: Integers) -> Columns:
    """Give the columns that say when setups were found."""
    moments = found_at.astype("datetime64[ns]")
    months = moments.astype("datetime64[M]").astype(np.int64) + MONTHS_BY_1970
    return {"found_at": moments, "month": months, "hour": found_at // HOUR % HOURS}


def what_came(records: NDArray[Any], atr: Floats, instrument: Instrument) -> Columns:
    """Give the columns of the outcomes of stories (STORY); ``atr`` are those of the setups' last bars.

    ``state`` has codes. R is in the risk of the fill, exact from the prices, and rounded once, to the nearest float.
    """
    sign, state, grid = records["sign"], records["state"], grid_of(instrument.steps)
    named = ("entry", "first_stop", "stop", "fill", "exit", "best", "worst", "half_exit")
    prices = real_prices(records, named)
    entered, left = ~np.isnan(prices[3]), ~np.isnan(prices[4])
    prices[5:7, ~entered] = np.nan
    planned, first_stop, stop, fill, exit_, *_, half = prices
    whole, scale = exactly(prices, grid.decimals)
    _, first, _, filled, out, highest, lowest, halved = whole
    risk = np.where(entered, sign.astype(whole.dtype) * (filled - first), 1)
    both = np.where(np.isnan(half), out, halved) + out
    gross = _quotients(sign * (both - 2 * filled), 2 * risk, left)
    costs = np.where(left, NO_COST_GIVEN, np.nan)
    if instrument.costs.given:
        costs[left] = [
            float(instrument.costs.in_price(price, instrument.point_value) / abs(price - base))
            for price, base in zip(decimals(fill[left]), decimals(first_stop[left]), strict=True)
        ]
    risks, over = _quotients(risk, scale, entered), state > steps.OPEN
    stopped = (state == steps.STOPPED) | (state == steps.STOPPED_AT_OPEN)
    return {
        "state": state,
        "entered_at": np.where(entered, records["entered_at"].astype("datetime64[ns]"), NO_TIME),
        "ended_at": np.where(over, records["ended_at"].astype("datetime64[ns]"), NO_TIME),
        "bars_waited": records["waited"] - entered,
        "bars_held": records["held"],
        "planned_entry": planned,
        "entry": fill,
        "first_stop": first_stop,
        "stop": stop,
        "exit": exit_,
        "cost_known": np.full(len(records), instrument.costs.given),
        "gapped_stop": stopped & (sign * (stop - exit_) > 0.0),
        "both_in_one_bar": stopped & (records["entered_at"] == records["ended_at"]),
        "risk": risks,
        "risk_atr": np.where(atr != 0.0, risks / atr, np.nan),
        "gross_r": gross,
        "cost_r": costs,
        "net_r": gross - costs,
        "best_r": _quotients(sign * (highest - filled), risk, entered),
        "worst_r": _quotients(sign * (lowest - filled), risk, entered),
    }


def _quotients(part: NDArray[Any], whole: Any, known: NDArray[np.bool_]) -> Floats:  # noqa: ANN401 - a number or several
    """Divide whole numbers; NaN where nothing is known."""
    return np.where(known, (part / whole).astype(np.float64), np.nan)
