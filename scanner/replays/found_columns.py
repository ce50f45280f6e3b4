"""Setups as columns of a table, made from the numbers of their judgement; only the reasons are texts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import CLOSE
from scanner.judgement import places_of
from scanner.trade.levels import BEYOND_SLOW, GOAL, GOALS, OBSTACLE, PRICE, RISK, ROOM, STOP
from scanner.trade.plan import STYLES
from scanner.trade.size import size

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from scanner.judgement import Weighed

    Floats = NDArray[np.float64]


def columns_of_found(weighed: Weighed) -> Mapping[str, Any]:
    """Give the columns of ``event_columns`` that a setup has; a row for each row of ``weighed``."""
    fits, case, rows, planned = weighed.fits, weighed.case, weighed.rows, weighed.planned
    instrument, (t, signs), count = case.instrument, fits.spots[rows].T, len(rows)
    grid, places, setups = weighed.grid, fits.found.places[rows], fits.series.pool.setups
    closes = fits.series.columns[CLOSE, t]
    prices, chosen = planned / grid.units, STYLES.index(case.rulebook.rules.entry_style)
    goals = GOAL + chosen * GOALS
    return {
        "instrument": [instrument.symbol] * count,
        "timeframe": [case.timetable.timeframe.name] * count,
        "setup": [setups[which].setup.name for which in fits.which[rows].tolist()],
        "direction": np.where(signs > 0, "long", "short").tolist(),
        "bar_open": fits.series.times[0, t],
        "bar_close": fits.series.times[1, t],
        "set_aside": weighed.set_aside,
        "reason": [weighed.why_set_aside(k) if aside else "" for k, aside in enumerate(weighed.set_aside.tolist())],
        "place": places_of(places),
        "evidence_points": fits.counted[rows],
        "evidence_total": fits.total[rows],
        "close": closes,
        "step": grid.steps_at(closes),
        **{style: prices[:, PRICE + number] for number, style in enumerate(STYLES)},
        "stop": prices[:, STOP],
        "entry_style": [STYLES[chosen]] * count,
        "planned_entry": prices[:, PRICE + chosen],
        "planned_risk": prices[:, RISK + chosen],
        **{f"objective_{goal + 1}": prices[:, goals + goal] for goal in range(GOALS)},
        "obstacle": prices[:, OBSTACLE + chosen],
        "room": planned[:, ROOM + chosen],
        "size": _sizes(weighed, chosen),
        "exit_style": np.where(planned[:, BEYOND_SLOW] != 0.0, "ride", "quick").tolist(),
        "currency": [instrument.currency] * count,
    }


def _sizes(weighed: Weighed, style: int) -> Floats:
    """Give the planned sizes, computed in exact decimals; NaN if there is none."""
    case, sizes = weighed.case, np.full(len(weighed.rows), np.nan)
    if case.account.equity is not None:
        for number in np.flatnonzero(~np.isnan(weighed.planned[:, RISK + style])).tolist():
            entry, stop = weighed.price(number, PRICE + style), weighed.price(number, STOP)
            if entry is not None and stop is not None:
                amount, _ = size(case.account, case.instrument, entry, abs(entry - stop))
                sizes[number] = np.nan if amount is None else float(amount)
    return sizes
