"""From the bars of one instrument to the stories in them: setups, what other rules would find, and controls."""

from __future__ import annotations

import gc
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from scanner.analysis.columns import ATR, CLOSE
from scanner.analysis.pool import MANY, Leap
from scanner.engine import SeriesEngine, followed
from scanner.pipeline import Pools
from scanner.studies.candidates import Candidate, find_candidates
from scanner.studies.controls import MOST, Drawn, Wanted, control_at, draw, for_each_setup, marks_of
from scanner.studies.parts import LAYOUT, VARIANTS, Part
from scanner.studies.stories import UNKNOWN, Row, told_of, what_came, when
from scanner.studies.variants import AS_IS, changes_of
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from typing import Any

    from numpy.typing import NDArray

    from scanner.analysis.pool import Stop
    from scanner.events import Event
    from scanner.follow.found import Found
    from scanner.follow.outcome import Outcome
    from scanner.judgement import Weighed
    from scanner.market.bars import Bars
    from scanner.pipeline import Inputs
    from scanner.studies.variants import Changes

    Times = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a study is to do: the seed of all that is drawn, whether to look at variants, and how many bars to draw.

    ``draws`` are for each setup and source, at most; 0 for no controls.
    """

    seed: int = 0
    variants: bool = True
    draws: int = MOST


class StudyEngine(SeriesEngine):
    """An engine that follows whatever ``finder`` finds in each stretch of warm bars, and says nothing of setups.

    Finding, following, holds and coarser bars are those of any engine; only where others stop at a setup, this one
    looks at all bars that are in the windows.
    """

    __slots__ = ("_looked", "finder")

    finder: Callable[[StudyEngine, int, int], tuple[list[tuple[int, Found]], list[tuple[int, int]]]]
    """Given the first bar of a stretch and the one after it, gives what is to be followed, and the sides on which
    setups stand, each with its bar."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401 - those of any engine
        super().__init__(*args, **kwargs)
        self.series.pool.finds.clear()
        self._looked = 0

    def said_at(self, stop: Stop) -> Iterator[Event]:
        """Look at the bars before one that may be a split: they may be forgotten there."""
        if isinstance(stop, Leap):
            self._look(stop.index)
            yield from super().said_at(stop)
            if self.series.count == 0:
                self._looked = 0

    def said_of_stories(self) -> list[Event]:
        """Look at the bars taken in, and follow what was found in them."""
        self._look(self.series.used)
        return super().said_of_stories()

    def _look(self, stop: int) -> None:
        offset = self.series.used - self.series.count
        first = offset + max(self._looked, self.rulebook.rules.warm_up - 1)
        if first < stop:
            self.follow(*self.finder(self, first, stop))
        self._looked = stop - offset


@dataclass(slots=True)
class _Lane:
    """What is found on one timeframe, in two passes: the setups, and then the controls drawn for them."""

    inputs: Inputs
    timeframe: str
    asked: Asked
    changes: Changes
    rows: dict[str, tuple[Row, float]] = field(default_factory=dict)
    members: dict[str, tuple[int, ...]] = field(default_factory=dict)
    replanned: set[int] = field(default_factory=set)
    wanted: list[Wanted] = field(default_factory=list)
    standing: dict[int, tuple[int, ...]] = field(default_factory=dict)
    """Sides on which setups stand, by the close of their bar."""
    times: list[Times] = field(default_factory=list)
    marks: list[NDArray[np.uint8]] = field(default_factory=list)
    bars: list[Bars] = field(default_factory=list)
    drawn: dict[int, list[Drawn]] = field(default_factory=dict)

    def find(self, engine: StudyEngine, first: int, stop: int) -> tuple[list[tuple[int, Found]], list[tuple[int, int]]]:
        """Find setups and what variants would find, and note the bars that can be drawn."""
        series = engine.series
        if self.asked.draws:
            self.times.append(series.times[1, first:stop].copy())
            self.marks.append(marks_of(series, first, stop))
        found: list[tuple[int, Found]] = []
        sides: dict[int, set[int]] = {}
        weighed, candidates, replanned = find_candidates(engine, first, stop, self.changes)
        self.replanned |= replanned
        told = told_of(weighed)
        for each in candidates:
            if each.stands:
                sides.setdefault(each.index, set()).add(each.sign)
            followed = self._note(weighed, each, told[each.number])
            if followed is not None:
                found.append((each.index, followed))
        for index, signs in sides.items():
            self.standing[int(series.times[1, index])] = tuple(signs)
        return found, [(index, sign) for index, signs in sides.items() for sign in signs]

    def _note(self, weighed: Weighed, candidate: Candidate, told: Row) -> Found | None:
        """Note a candidate and give what is followed of it; None where its plan has no entry, or none with a risk."""
        series = weighed.fits.series
        found = followed(weighed, candidate.number, weighed.thread(candidate.number))
        if found is None:
            return None
        atr, closed = float(series.columns[ATR, candidate.index]), int(series.times[1, candidate.index])
        row = self._begun(found.thread, "setup", closed) | {"found": candidate.stands} | told
        self.rows[found.thread] = row, atr
        self.members[found.thread] = candidate.variants
        if self.asked.draws and AS_IS in candidate.variants and atr:
            beyond, close = found.spoiler.beyond, float(series.columns[CLOSE, candidate.index])
            spoiler = None if beyond is None else found.sign * (close - beyond) / atr
            self.wanted.append(Wanted(found, float(found.sign * (found.entry - found.stop)) / atr, spoiler))
        return found

    def control(
        self, engine: StudyEngine, first: int, stop: int
    ) -> tuple[list[tuple[int, Found]], list[tuple[int, int]]]:
        """Find the bars that were drawn."""
        found, standing = [], []
        times = engine.series.times[1, first:stop]
        looked_at = first + np.flatnonzero(np.isin(times, [*self.standing, *self.drawn]))
        for index, close in zip(looked_at.tolist(), times[looked_at - first].tolist(), strict=True):
            standing += [(index, sign) for sign in self.standing.get(close, ())]
            for drawn in self.drawn.get(close, ()):
                planned = control_at(engine, index, drawn)
                if planned is None:
                    continue
                found.append((index, planned))
                row = self._begun(drawn.id, drawn.source, close)
                row |= {
                    "of": drawn.setup.found.thread,
                    "found": True,
                    "setup": planned.setup,
                    "direction": "long" if planned.sign > 0 else "short",
                    "place": "",
                    "set_aside": "",
                    "evidence_points": 0,
                    "evidence_total": 0,
                    "exit_style": "ride" if planned.ride else "quick",
                    **UNKNOWN,
                }
                self.rows[drawn.id] = row, float(engine.series.columns[ATR, index])
        return found, standing

    def draw(self) -> None:
        """Draw the bars of all controls."""
        if not self.wanted:
            return
        times = np.concatenate([bars.close_time for bars in self.bars])[self.inputs.rulebook.rules.warm_up - 1 :]
        marks = np.zeros(len(times), dtype=np.uint8)
        marks[np.searchsorted(times, np.concatenate(self.times))] = np.concatenate(self.marks)
        symbol, style = self.inputs.instrument.symbol, self.inputs.rulebook.rules.entry_style
        seed = f"{self.asked.seed}\x1f{symbol}\x1f{self.timeframe}"
        each = for_each_setup(self.asked.draws, len(self.wanted))
        for drawn in draw(self.wanted, times, marks, style, each, seed):
            self.drawn.setdefault(drawn.close_time, []).append(drawn)

    def _begun(self, name: str, source: str, found_at: int) -> Row:
        return {
            "id": name,
            "source": source,
            "of": "",
            "instrument": self.inputs.instrument.symbol,
            "group": self.inputs.group,
            "timeframe": self.timeframe,
            "entry_style": self.inputs.rulebook.rules.entry_style,
            **when(found_at),
        }

    def came(self, now: Outcome) -> None:
        """Take down what came of a story."""
        row, atr = self.rows[now.thread]
        row |= what_came(now, atr) | {"cost_known": self.inputs.instrument.costs.given}


def collect_one(inputs: Inputs, bars: Iterable[Bars], asked: Asked) -> Part:
    """Collect the stories of one instrument from its checked bars of the base timeframe, in parts and oldest first."""
    was_on = gc.isenabled()
    gc.disable()  # rows hold no circles: looking for some among them, again and again, takes a tenth of the time
    try:
        return _collect(inputs, bars, asked)
    finally:
        if was_on:
            gc.enable()


def _collect(inputs: Inputs, bars: Iterable[Bars], asked: Asked) -> Part:
    pipeline = inputs.pipeline(StudyEngine, _pools(inputs.rulebook))
    changes = changes_of(inputs.rulebook, variants=asked.variants)
    lanes = [_Lane(inputs, lane.timeframe.name, asked, changes) for lane in pipeline.lanes]
    part = Part(inputs.instrument.symbol, tuple(lane.timeframe for lane in lanes), tuple(changes.variants))
    by_lane = dict(zip(pipeline.lanes, lanes, strict=True))
    for lane, own in by_lane.items():
        engine = lane.engine
        engine.finder, engine.on_end = own.find, own.came  # type: ignore[attr-defined]  # it is a StudyEngine
    for all_of_them in bars:
        if len(all_of_them):
            part.count(all_of_them)
        for piece in pipeline.parts(all_of_them):
            for lane, parted in pipeline.lanes_of(piece):
                lane.engine.push(parted)
                if asked.draws:
                    by_lane[lane].bars.append(parted)
    for lane, own in by_lane.items():
        for outcome in lane.engine.under_way():
            own.came(outcome)
        if asked.draws:
            _follow_controls(lane.engine, own)
        part.replanned |= own.replanned
    rows = [row | {VARIANTS: own.members.get(thread, ())} for own in lanes for thread, (row, _) in own.rows.items()]
    part.trades = pa.table({each.name: pa.array([row[each.name] for row in rows], each.type) for each in LAYOUT})
    return part


@lru_cache(8)
def _pools(rulebook: Rulebook) -> Pools:
    """Give one instrument after the other the same memory: new memory takes time."""
    del rulebook
    return Pools(MANY)


@lru_cache(8)
def _without_setups(rulebook: Rulebook) -> Rulebook:
    return Rulebook(rulebook.rules, (), rulebook.surroundings, rulebook.follow)


def _follow_controls(first: SeriesEngine, lane: _Lane) -> None:
    """Take the bars of a lane through an engine once more, with the controls that were drawn."""
    lane.draw()
    if not lane.drawn:
        return
    without, timetable = _without_setups(first.rulebook), first.timetable
    pool = _pools(without).of(without, timetable)
    engine = StudyEngine(first.instrument, timetable, without, first.account, pool=pool)
    engine.finder, engine.on_end = lane.control, lane.came
    for bars in lane.bars:
        engine.push(bars)
    for outcome in engine.under_way():
        lane.came(outcome)
