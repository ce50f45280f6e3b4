"""From the bars of one instrument to the stories in them: setups, what other rules would find, and controls."""

from __future__ import annotations

import gc
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from scanner.analysis.pool import MANY, Leap
from scanner.engine import SeriesEngine
from scanner.follow.ends import Ends
from scanner.pipeline import Pools
from scanner.studies.controls import MOST
from scanner.studies.lanes import Lane
from scanner.studies.parts import Part
from scanner.studies.variants import changes_of
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from numpy.typing import NDArray

    from scanner.analysis.pool import Stop
    from scanner.events import Event
    from scanner.market.bars import Bars
    from scanner.pipeline import Inputs
    from scanner.studies.lanes import Found
    from scanner.studies.variants import Changes


@dataclass(frozen=True, slots=True)
class Asked:
    """What a study is to do: the seed of all that is drawn, whether to look at variants, and how many bars to draw.

    ``draws`` are for each setup and source, at most; 0 for no controls.
    """

    seed: int = 0
    variants: bool = True
    draws: int = MOST


@dataclass(slots=True)
class Collected:
    """What was found in the bars of one instrument, by timeframe.

    ``bars`` counts those of the feed, ``first`` and ``last`` are the first opening and the last close in nanoseconds
    since 1970 UTC, 0 without bars.
    """

    instrument: str
    changes: Changes
    lanes: list[Lane]
    bars: int = 0
    first: int = 0
    last: int = 0

    def count(self, bars: Bars) -> None:
        """Count bars of the feed; there is at least one."""
        self.first = self.first if self.bars else int(bars.open_time[0])
        self.bars, self.last = self.bars + len(bars), int(bars.close_time[-1])

    @property
    def part(self) -> Part:
        """All of it as a part of a study."""
        return Part(
            self.instrument,
            tuple(each.timeframe for each in self.lanes),
            tuple(self.changes.variants),
            self.bars,
            self.first,
            self.last,
            set().union(*(each.replanned for each in self.lanes)),
            pa.concat_tables([each.table() for each in self.lanes]),
        )


class StudyEngine(SeriesEngine):
    """An engine that follows whatever is found in each stretch of warm bars, and says nothing of setups.

    Finding, following, holds and coarser bars are those of any engine; only where others stop at a setup, this one
    looks at all bars that are in the windows.
    """

    __slots__ = ("_finder", "_looked")

    def __init__(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401 - those of any engine
        super().__init__(*args, **kwargs)
        self.series.pool.finds.clear()
        self._looked = 0

    def look_for(self, finder: Callable[[SeriesEngine, int, int], Found], came: Callable[[NDArray[Any]], None]) -> Ends:
        """Follow what ``finder`` finds from the first bar of a stretch up to one; ``came`` gets what came of it."""
        self._finder = finder
        self.ends = Ends(self.series, self.instrument, self.rulebook, self.timetable)
        self.ends.came = came
        return self.ends

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
        return []

    def _look(self, stop: int) -> None:
        offset = self.series.used - self.series.count
        first = offset + max(self._looked, self.rulebook.rules.warm_up - 1)
        self.follow((), *(self._finder(self, first, stop) if first < stop else ()))
        self._looked = stop - offset


def collect_one(inputs: Inputs, bars: Iterable[Bars], asked: Asked) -> Collected:
    """Collect the stories of one instrument from its checked bars of the base timeframe, in parts and oldest first."""
    was_on = gc.isenabled()
    gc.disable()  # there are no circles: looking for some, again and again, takes a tenth of the time
    try:
        return _collect(inputs, bars, asked)
    finally:
        if was_on:
            gc.enable()


def _collect(inputs: Inputs, bars: Iterable[Bars], asked: Asked) -> Collected:
    pipeline = inputs.pipeline(StudyEngine, _pools(inputs.rulebook))
    changes = changes_of(inputs.rulebook, variants=asked.variants)
    lanes = {lane: Lane(inputs, lane.timeframe.name, asked.seed, asked.draws, changes) for lane in pipeline.lanes}
    collected = Collected(inputs.instrument.symbol, changes, [*lanes.values()])
    for lane, own in lanes.items():
        lane.engine.look_for(own.find, own.came.append)  # type: ignore[attr-defined]  # it is a StudyEngine
    for all_of_them in bars:
        if len(all_of_them):
            collected.count(all_of_them)
        for piece in pipeline.parts(all_of_them):
            for lane, parted in pipeline.lanes_of(piece):
                lane.engine.push(parted)
                if asked.draws:
                    lanes[lane].bars.append(parted)
    for lane, own in lanes.items():
        own.came.append(lane.engine.ends.records)  # type: ignore[union-attr]  # as above
        if asked.draws:
            _follow_controls(lane.engine, own)
    return collected


@lru_cache(8)
def _pools(rulebook: Rulebook) -> Pools:
    """Give one instrument after the other the same memory: new memory takes time."""
    del rulebook
    return Pools(MANY)


@lru_cache(8)
def _without_setups(rulebook: Rulebook) -> Rulebook:
    return Rulebook(rulebook.rules, (), rulebook.surroundings, rulebook.follow)


def _follow_controls(first: SeriesEngine, lane: Lane) -> None:
    """Take the bars of a lane through an engine once more, with the controls that were drawn."""
    lane.draw()
    if not lane.drawn:
        return
    without, timetable = _without_setups(first.rulebook), first.timetable
    pool = _pools(without).of(without, timetable)
    engine = StudyEngine(first.instrument, timetable, without, first.account, pool=pool)
    ends = engine.look_for(lane.control, lane.came.append)
    for bars in lane.bars:
        engine.push(bars)
    lane.came.append(ends.records)
