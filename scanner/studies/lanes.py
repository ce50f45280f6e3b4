"""The stories of one instrument on one timeframe: setups, what other rules would find, and the controls drawn."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from scanner.analysis.columns import ATR, CLOSE
from scanner.follow.begun import begun_of
from scanner.follow.stories import NO_RECORDS, joined
from scanner.studies.candidates import find_candidates
from scanner.studies.controls import Wanted, begun_controls, control_at, draw, for_each_setup, marks_of
from scanner.studies.parts import LAYOUT, VARIANTS
from scanner.studies.schema import AROUND
from scanner.studies.stories import WHOLE, Columns, directions, exit_styles, told_of, what_came, when
from scanner.studies.variants import AS_IS
from scanner.trade.around import UNJUDGED
from scanner.trade.levels import RISK
from scanner.trade.plan import STYLES
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.engine import SeriesEngine
    from scanner.market.bars import Bars
    from scanner.pipeline import Inputs
    from scanner.studies.candidates import Candidates
    from scanner.studies.controls import Drawn
    from scanner.studies.variants import Changes

    Found = tuple[NDArray[Any], list[tuple[int, int]]]
    """Records to follow, and the sides with setups, each with its bar."""

WORDS = pa.array([WHOLE[code] for code in sorted(WHOLE)])
"""The words for the verdict on a surrounding, by its code."""


@dataclass(slots=True)
class Lane:
    """The stories on one timeframe, found in two passes: the setups, and then the controls drawn for them.

    Stories are numbered in the order found.
    """

    inputs: Inputs
    timeframe: str
    seed: int
    draws: int
    changes: Changes
    count: int = 0
    told: list[Columns] = field(default_factory=list)
    came: list[NDArray[Any]] = field(default_factory=list)
    replanned: set[int] = field(default_factory=set)
    wanted: list[Wanted] = field(default_factory=list)
    standing: dict[int, tuple[int, ...]] = field(default_factory=dict)
    """The sides with setups, by the close of their bar."""
    times: list[NDArray[np.int64]] = field(default_factory=list)
    marks: list[NDArray[np.uint8]] = field(default_factory=list)
    bars: list[Bars] = field(default_factory=list)
    drawn: dict[int, list[Drawn]] = field(default_factory=dict)

    def find(self, engine: SeriesEngine, first: int, stop: int) -> Found:
        """Find the setups and those of variants, and note the bars that can be drawn."""
        series = engine.series
        if self.draws:
            self.times.append(series.times[1, first:stop].copy())
            self.marks.append(marks_of(series, first, stop))
        found = find_candidates(engine, first, stop, self.changes)
        self.replanned |= found.replanned
        weighed = found.weighed
        spots, records = weighed.fits.spots[weighed.rows], begun_of(weighed)
        counts = found.stands | np.array([bool(each) for each in found.variants], dtype=np.bool_)
        records = records[counts[records["number"]]]
        numbers, sides = records["number"].copy(), spots[found.stands].tolist()
        told = told_of(weighed, numbers)
        told |= {"of": [""] * len(numbers), "source": ["setup"] * len(numbers), "found": found.stands[numbers]}
        told[VARIANTS] = [found.variants[number] for number in numbers.tolist()]
        self._note(engine, records, spots[numbers, 0], told)
        if self.draws:
            self._want(found, numbers, records, told)
        at: dict[int, dict[int, None]] = {}
        for index, sign in sides:
            at.setdefault(index, {})[sign] = None
        for index, signs in at.items():
            self.standing[int(series.times[1, index])] = tuple(signs)
        return records, [(index, sign) for index, signs in at.items() for sign in signs]

    def _want(self, found: Candidates, numbers: NDArray[np.int64], records: NDArray[Any], told: Columns) -> None:
        """Note the setups that need controls."""
        fits, rows = found.weighed.fits, found.weighed.rows[numbers]
        spots, levels, columns = fits.spots[rows], fits.levels[rows], fits.series.columns
        atr, sign = columns[ATR, spots[:, 0]], spots[:, 1]
        with np.errstate(divide="ignore", invalid="ignore"):  # setups without an ATR get no controls
            risk = found.weighed.planned[numbers, RISK + STYLES.index(self.inputs.rulebook.rules.entry_style)]
            risks = risk / found.weighed.grid.units / atr
            spoilers = sign * (columns[CLOSE, spots[:, 0]] - levels["beyond"]) / atr
        for k in np.flatnonzero(atr != 0.0).tolist():
            if AS_IS in told[VARIANTS][k]:
                about = told["id"][k], told["setup"][k], int(sign[k]), bool(records["ride"][k])
                self.wanted.append(Wanted(*about, levels[k], float(risks[k]), float(spoilers[k])))

    def control(self, engine: SeriesEngine, first: int, stop: int) -> Found:
        """Plan the controls at the bars that were drawn."""
        planned, standing = [], []
        times = engine.series.times[1, first:stop]
        looked_at = first + np.flatnonzero(np.isin(times, [*self.standing, *self.drawn]))
        for index, close in zip(looked_at.tolist(), times[looked_at - first].tolist(), strict=True):
            standing += [(index, sign) for sign in self.standing.get(close, ())]
            planned += [control_at(engine, index, drawn) for drawn in self.drawn.get(close, ())]
        controls = [each for each in planned if each is not None]
        if not controls:
            return NO_RECORDS, standing
        records, count = begun_controls(engine, controls), len(controls)
        told: Columns = {
            "id": [each.drawn.id for each in controls],
            "source": [each.drawn.source for each in controls],
            "of": [each.drawn.setup.thread for each in controls],
            "found": np.ones(count, dtype=np.bool_),
            "setup": [each.drawn.setup.setup for each in controls],
            "direction": directions(records["sign"]),
            "exit_style": exit_styles(records["ride"]),
            "around": np.full((count, len(NAMES)), UNJUDGED, dtype=np.uint8),
            VARIANTS: [()] * count,
        }
        told |= {name: [""] * count for name in ("place", "set_aside")}
        told |= {name: np.zeros(count, dtype=np.int64) for name in ("evidence_points", "evidence_total")}
        self._note(engine, records, np.array([each.index for each in controls]), told)
        return records, standing

    def _note(self, engine: SeriesEngine, records: NDArray[Any], index: NDArray[np.int64], told: Columns) -> None:
        """Give records their numbers, and keep their columns."""
        records["number"] = self.count + np.arange(len(records))
        self.count += len(records)
        series = engine.series
        self.told.append(told | when(series.times[1, index]) | {"atr": series.columns[ATR, index]})

    def draw(self) -> None:
        """Draw the bars of all controls."""
        if not self.wanted:
            return
        times = np.concatenate([bars.close_time for bars in self.bars])[self.inputs.rulebook.rules.warm_up - 1 :]
        marks = np.zeros(len(times), dtype=np.uint8)
        marks[np.searchsorted(times, np.concatenate(self.times))] = np.concatenate(self.marks)
        symbol, style = self.inputs.instrument.symbol, self.inputs.rulebook.rules.entry_style
        seed = f"{self.seed}\x1f{symbol}\x1f{self.timeframe}"
        each = for_each_setup(self.draws, len(self.wanted))
        for drawn in draw(self.wanted, times, marks, style, each, seed):
            self.drawn.setdefault(drawn.close_time, []).append(drawn)

    def columns(self) -> Columns:
        """Give the columns of all stories, once their outcomes are known; ``around`` is two-dimensional."""
        if not self.count:
            return {}
        columns, records = (
            {name: _joined([each[name] for each in self.told]) for name in self.told[0]},
            joined(self.came),
        )
        return columns | what_came(records.take(np.argsort(records["number"])), columns["atr"], self.inputs.instrument)

    def table(self) -> pa.Table:
        """Give the stories as a table."""
        columns = self.columns()
        if not columns:
            return LAYOUT.empty_table()
        around, instrument = columns["around"], self.inputs.instrument
        columns |= {AROUND + name: WORDS.take(pa.array(around[:, number])) for number, name in enumerate(NAMES)}
        about = instrument.symbol, self.inputs.group, self.timeframe, self.inputs.rulebook.rules.entry_style
        for name, text in zip(("instrument", "group", "timeframe", "entry_style"), about, strict=True):
            columns[name] = [text] * self.count
        return pa.Table.from_arrays([pa.array(columns[each.name], each.type) for each in LAYOUT], schema=LAYOUT)


def _joined(parts: Sequence[Any]) -> Any:  # noqa: ANN401 - lists or arrays
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if isinstance(parts[0], np.ndarray) else list(chain.from_iterable(parts))
