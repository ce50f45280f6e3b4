"""The setups of a series as columns of a table, made from numbers; only the reasons are texts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import CLOSE
from scanner.follow.outcome import columns_of_outcomes
from scanner.follow.stories import NO_RECORDS, joined
from scanner.judgement import places_of
from scanner.market.bars import NO_TIME
from scanner.trade.levels import BEYOND_SLOW, GOAL, GOALS, OBSTACLE, PRICE, RISK, ROOM, STOP, grid_of
from scanner.trade.plan import STYLES
from scanner.trade.size import size

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from scanner.engine.series_engine import SeriesEngine
    from scanner.judgement import Weighed

    Floats = NDArray[np.float64]


class FoundColumns:
    """The setups that an engine finds, and what came of each; they are followed until the engine's last bar."""

    def __init__(self, engine: SeriesEngine) -> None:
        """Take the setups of this engine in place of its events."""
        self._engine = engine
        self._count = 0
        self._parts: list[tuple[NDArray[Any], ...]] = []
        self._places: list[str | None] = []
        self._reasons: list[str] = []
        self._came: list[NDArray[Any]] = []
        engine.collect(self._found, self._came.append)

    def _found(self, weighed: Weighed, numbers: range) -> int:
        """Keep what the windows still hold; returns the number of the first setup."""
        own = slice(numbers.start, numbers.stop)
        fits, rows, first, aside = weighed.fits, weighed.rows[own], self._count, weighed.set_aside[own]
        (_, t, signs), series = fits.spots[rows].T, self._engine.series
        about = fits.which[rows], signs, *series.times[:, t], series.columns[CLOSE, t], aside
        self._parts.append((*about, fits.counted[rows], fits.total[rows], weighed.planned[own]))
        self._places += places_of(fits.found.places[rows])
        self._reasons += [weighed.why_set_aside(k) for k in numbers]
        self._count += len(rows)
        return first

    def columns(self) -> Mapping[str, Any]:
        """Give the columns of ``event_columns`` that a setup has, and those of its outcome; empty without a setup."""
        if not self._count:
            return {}
        engine, count = self._engine, self._count
        which, signs, opens, ends, closes, aside, counted, total, planned = map(
            np.concatenate, zip(*self._parts, strict=True)
        )
        instrument, rulebook, grid = engine.instrument, engine.rulebook, grid_of(engine.instrument.steps)
        prices, chosen = planned / grid.units, STYLES.index(rulebook.rules.entry_style)
        goals, names = GOAL + chosen * GOALS, [each.setup.name for each in rulebook.setups]
        return {
            "instrument": [instrument.symbol] * count,
            "timeframe": [engine.timetable.timeframe.name] * count,
            "setup": [names[number] for number in which.tolist()],
            "direction": np.where(signs > 0, "long", "short").tolist(),
            "bar_open": opens,
            "bar_close": ends,
            "set_aside": aside,
            "reason": self._reasons,
            "place": self._places,
            "evidence_points": counted,
            "evidence_total": total,
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
            "size": self._sizes(planned, chosen),
            "exit_style": np.where(planned[:, BEYOND_SLOW] != 0.0, "ride", "quick").tolist(),
            "currency": [instrument.currency] * count,
            **self._outcomes(),
        }

    def _outcomes(self) -> Mapping[str, Any]:
        """Give the outcome of each setup; those without an entry to follow have none."""
        engine, count = self._engine, self._count
        records = joined([*self._came, NO_RECORDS if engine.ends is None else engine.ends.records])
        told = columns_of_outcomes(records, engine.instrument, grid_of(engine.instrument.steps))
        found = {"state": np.full(count, None), "ended": np.full(count, NO_TIME)}
        found |= {name: np.full(count, np.nan) for name in told if name not in found}
        for name, column in told.items():
            found[name][records["number"]] = column
        return found

    def _sizes(self, planned: Floats, style: int) -> Floats:
        """Give the planned sizes, computed in exact decimals; NaN if there is none."""
        engine, sizes = self._engine, np.full(len(planned), np.nan)
        if engine.account.equity is not None:
            grid = grid_of(engine.instrument.steps)
            for number in np.flatnonzero(~np.isnan(planned[:, RISK + style])).tolist():
                entry, stop = (grid.price(float(planned[number, level])) for level in (PRICE + style, STOP))
                risk, halves = abs(entry - stop), engine.rulebook.follow.halves
                amount, _ = size(engine.account, engine.instrument, entry, risk, halves=halves)
                sizes[number] = np.nan if amount is None else float(amount)
        return sizes
