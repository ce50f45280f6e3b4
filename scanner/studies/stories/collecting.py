"""Collects the stories in the bars of some instruments: setups, those that variants would find, and controls."""

from __future__ import annotations

import gc
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from scanner.analysis.pool import MANY
from scanner.pipeline import Pools, rounds
from scanner.studies.parts import Part
from scanner.studies.stories.control_pass import follow_controls
from scanner.studies.stories.controls import MOST
from scanner.studies.stories.lanes import Lane
from scanner.studies.stories.variants import changes_of
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from scanner.market.bars import Bars
    from scanner.pipeline import Inputs, Pipeline

SOME = 8_192
"""Bars that each of several series can take before its windows are moved: few enough for the processor's cache."""

_TURNS = Lock()
"""The pools are those of the whole process; a worker of a cluster may have several threads."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a study is to do: the seed of the random draws, whether to include variants, and how many bars to draw.

    ``draws`` is the most for each setup and source; 0 for no controls.
    """

    seed: int = 0
    variants: bool = True
    draws: int = MOST


@dataclass(slots=True)
class Seen:
    """The bars of an instrument so far: how many of the feed, first opening and last close; see ``Part``."""

    lanes: list[tuple[Lane, int]]
    """Its lanes, coarsest first, and its number in each."""
    bars: int = 0
    first: int = 0
    last: int = 0

    def count(self, bars: Bars) -> None:
        """Count bars of the feed."""
        if len(bars):
            self.first = self.first if self.bars else int(bars.open_time[0])
            self.bars, self.last = self.bars + len(bars), int(bars.close_time[-1])


@dataclass(frozen=True, slots=True)
class Collected:
    """What was found in the bars of some instruments."""

    given: Sequence[Inputs]
    seen: Sequence[Seen]
    lanes: Sequence[Lane]

    def parts(self) -> list[Part]:
        """Give the part of a study on each instrument."""
        tables = {id(lane): lane.stories.tables() for lane in self.lanes}
        return [
            Part(
                inputs.instrument.symbol,
                tuple(lane.stories.timeframe for lane, _ in seen.lanes),
                tuple(seen.lanes[0][0].changes.variants),
                seen.bars,
                seen.first,
                seen.last,
                {int(each) for lane, number in seen.lanes for each in np.flatnonzero(lane.members[number].replanned)},
                pa.concat_tables([tables[id(lane)][number] for lane, number in seen.lanes]),
            )
            for inputs, seen in zip(self.given, self.seen, strict=True)
        ]


def collect_together(given: Sequence[Inputs], bars: Sequence[Iterable[Bars]], asked: Asked) -> Collected:
    """Collect the stories of instruments from their checked bars of the base timeframe, in parts and oldest first.

    Bars of several instruments go through compiled code together; threads of one process take turns.
    """
    with _TURNS:
        was_on = gc.isenabled()
        gc.disable()  # there are no cycles, and searching for them takes a tenth of the time
        try:
            return _collect(given, bars, asked)
        finally:
            if was_on:
                gc.enable()


def _collect(given: Sequence[Inputs], bars: Sequence[Iterable[Bars]], asked: Asked) -> Collected:
    room = MANY if len(given) == 1 else SOME
    books = {id(inputs.rulebook): inputs.rulebook for inputs in given}
    pools = {which: _pools(rulebook, room) for which, rulebook in books.items()}
    changes = {which: changes_of(rulebook, variants=asked.variants) for which, rulebook in books.items()}
    pipelines = [inputs.pipeline(pools=pools[id(inputs.rulebook)]) for inputs in given]
    lanes: dict[int, Lane] = {}
    numbers: dict[int, int] = {}
    seen = [Seen([]) for _ in given]
    for inputs, pipeline, own in zip(given, pipelines, seen, strict=True):
        for each in pipeline.lanes:
            pool = each.engine.series.pool
            if id(pool) not in lanes:
                made = changes[id(inputs.rulebook)]
                lanes[id(pool)] = Lane(pool, each.timeframe.name, made, draws=asked.draws > 0)
            lane = lanes[id(pool)]
            numbers[id(each.engine)] = lane.add(inputs, each.engine)
            own.lanes.append((lane, numbers[id(each.engine)]))
    parts = [_parts(*each) for each in zip(pipelines, seen, bars, strict=True)]
    for together in rounds(pipelines, parts):
        by_pool: dict[int, list[tuple[int, Bars]]] = {}
        for _, each, own_bars in together:
            by_pool.setdefault(id(each.engine.series.pool), []).append((numbers[id(each.engine)], own_bars))
        for pool_id, those in by_pool.items():
            lanes[pool_id].take([number for number, _ in those], [own_bars for _, own_bars in those])
    for lane in lanes.values():
        lane.end()
        if asked.draws:
            rulebook, timetable = lane.members[0].inputs.rulebook, lane.pool.timetable
            without = _without_setups(rulebook)
            follow_controls(lane, _pools(without, room).of(without, timetable), without, asked.seed, asked.draws)
    return Collected(given, seen, list(lanes.values()))


def _parts(pipeline: Pipeline, seen: Seen, bars: Iterable[Bars]) -> Iterator[Bars]:
    """Count the bars of an instrument, and cut them into parts that may go through its lanes at a time."""
    for all_of_them in bars:
        seen.count(all_of_them)
        yield from pipeline.parts(all_of_them)


@lru_cache(8)
def _pools(rulebook: Rulebook, room: int) -> Pools:
    """Reuse the same pools for some instruments after the others: new memory takes time."""
    del rulebook
    return Pools(room)


@lru_cache(8)
def _without_setups(rulebook: Rulebook) -> Rulebook:
    return Rulebook(rulebook.rules, (), rulebook.surroundings, rulebook.follow)
