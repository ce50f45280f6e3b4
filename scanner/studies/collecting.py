"""Collects the stories in the bars of one instrument: setups, those that variants would find, and controls."""

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
    """What a study is to do: the seed of the random draws, whether to include variants, and how many bars to draw.

    ``draws`` is the most for each setup and source; 0 for no controls.
    """

    seed: int = 0
    variants: bool = True
    draws: int = MOST


@dataclass(slots=True)
class Collected:
    """What was found in the bars of one instrument, by timeframe.

    ``bars`` counts the bars of the feed, ``first`` and ``last`` are the first opening and the last close in nanoseconds
    since 1970 UTC, 0 without bars.
    """

    instrument: str
    changes: Changes
    lanes: list[Lane]
    bars: int = 0
    first: int = 0
    last: int = 0

    def count(self, bars: Bars) -> None:
        """Count bars of the feed, at least one."""
        self.first = self.first if self.bars else int(bars.open_time[0])
        self.bars, self.last = self.bars + len(bars), int(bars.close_time[-1])

    @property
    def part(self) -> Part:
        """The whole as a part of a study."""
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
    """An engine that follows what a finder finds in each stretch of warm bars, and gives no events of setups.

    Following, holds and coarser bars are as in any engine. But it does not stop at a setup: it searches all bars in
    the windows at once.
    """

    __slots__ = ("_finder", "_looked")

    def __init__(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401 - the arguments of any engine
        super().__init__(*args, **kwargs)
        self.series.pool.finds.clear()
        self._looked = 0

    def look_for(self, finder: Callable[[SeriesEngine, int, int], Found], came: Callable[[NDArray[Any]], None]) -> Ends:
        """Follow what ``finder`` finds in a stretch of bars; ``came`` gets the records of stories that ended."""
        self._finder = finder
        self.ends = Ends(self.series, self.instrument, self.rulebook, self.timetable)
        self.ends.came = came
        return self.ends

    def said_at(self, stop: Stop) -> Iterator[Event]:
        """Search the bars before a possible split, which may drop them."""
        if isinstance(stop, Leap):
            self._look(stop.index)
            yield from super().said_at(stop)
            if self.series.count == 0:
                self._looked = 0

    def said_of_stories(self) -> list[Event]:
        """Search the bars taken in, and follow what is found."""
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
    gc.disable()  # there are no cycles, and searching for them takes a tenth of the time
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
    """Reuse the same pools for one instrument after the other: new memory takes time."""
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
