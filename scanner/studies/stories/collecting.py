"""Collects the stories in the bars of some instruments: setups, those that variants would find, and controls."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from scanner.analysis.pool import MANY
from scanner.arrow import numbers
from scanner.cycles import no_search_for_cycles
from scanner.pipeline import Pools, in_step
from scanner.studies.checked import Unjudged
from scanner.studies.parts import Part, Studied
from scanner.studies.stories.control_pass import follow_controls
from scanner.studies.stories.controls import MOST
from scanner.studies.stories.lanes import StudyLane
from scanner.studies.stories.variants import changes_of
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.market.bars import Bars
    from scanner.pipeline import Inputs

    Integers = NDArray[np.int64]

SOME = 8_192
"""Bars that each of several series can take before its windows are moved: few enough for the processor's cache."""
ORDER = ("instrument", "timeframe", "found_at", "setup", "direction", "source")
"""What the trades of a study are sorted by. Those alike stay as they were found: controls, in the order drawn."""

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
    """The bars of an instrument so far: how many of the feed, first opening and last close; see ``Studied``."""

    lanes: list[tuple[StudyLane, int]]
    """Its lanes, coarsest first, and its number in each."""
    bars: int = 0
    first: int = 0
    last: int = 0

    def counted(self, bars: Iterable[Bars]) -> Iterator[Bars]:
        """Count bars of the feed, and pass them on."""
        for own in bars:
            if len(own):
                self.first = self.first if self.bars else int(own.open_time[0])
                self.bars, self.last = self.bars + len(own), int(own.close_time[-1])
            yield own


@dataclass(frozen=True, slots=True)
class Collected:
    """What was found in the bars of some instruments."""

    given: Sequence[Inputs]
    seen: Sequence[Seen]
    lanes: Sequence[StudyLane]

    def parts(self) -> list[Part]:
        """Give the parts of a study: one on all instruments with the same variants."""
        tables = {id(lane): lane.stories.table() for lane in self.lanes}
        alike: dict[int, list[int]] = {}
        for place, seen in enumerate(self.seen):
            alike.setdefault(id(seen.lanes[0][0].changes), []).append(place)
        return [self._part(places, tables) for places in alike.values()]

    def _part(self, places: Sequence[int], tables: Mapping[int, tuple[pa.Table, Integers]]) -> Part:
        own = [self.seen[place] for place in places]
        lanes = {id(lane): lane for seen in own for lane, _ in seen.lanes}
        owners = {key: np.zeros(len(lane.members), dtype=np.int64) for key, lane in lanes.items()}
        for owner, seen in enumerate(own):
            for lane, number in seen.lanes:
                owners[id(lane)][number] = owner
        whole = pa.concat_tables([tables[key][0] for key in lanes])
        owner_of_rows = np.concatenate([owners[key][tables[key][1]] for key in lanes])
        keys = [_ranked(whole[name]) for name in ORDER[1:]]
        whole = whole.take(numbers(np.lexsort([*keys[::-1], owner_of_rows])))
        rows = np.bincount(owner_of_rows, minlength=len(own)).tolist()
        about = tuple(
            Studied(
                self.given[place].instrument.symbol,
                tuple(lane.stories.timeframe for lane, _ in seen.lanes),
                seen.bars,
                seen.first,
                seen.last,
                tuple(np.flatnonzero(_replanned(seen)).tolist()),
                count,
                tuple(_unjudged(self.given[place].instrument.symbol, seen)),
            )
            for place, seen, count in zip(places, own, rows, strict=True)
        )
        return Part(about, tuple(own[0].lanes[0][0].changes.variants), whole)


def _ranked(column: pa.ChunkedArray) -> Integers:
    """Give numbers that sort as the values of a column: categories as listed, and texts, of which there are few."""
    if pa.types.is_timestamp(column.type):
        return np.from_dlpack(column.cast(pa.int64()).combine_chunks()).astype(np.int64, copy=False)
    told = pc.dictionary_encode(column).combine_chunks()
    if pa.types.is_dictionary(column.type):
        return np.from_dlpack(told.indices).astype(np.int64)
    words = told.dictionary.to_pylist()
    ranks = np.empty(len(words), dtype=np.int64)
    ranks[sorted(range(len(words)), key=words.__getitem__)] = np.arange(len(words))
    ranked: Integers = ranks[np.from_dlpack(told.indices)]
    return ranked


def _unjudged(instrument: str, seen: Seen) -> Iterator[Unjudged]:
    for lane, number in seen.lanes:
        member = lane.members[number]
        if not member.judged or member.engine.holds:
            yield Unjudged(f"{instrument}/{lane.stories.timeframe}", member.judged, member.engine.holds)


def _replanned(seen: Seen) -> NDArray[np.bool_]:
    marks: NDArray[np.bool_] = np.logical_or.reduce([lane.members[number].replanned for lane, number in seen.lanes])
    return marks


def collect_together(given: Sequence[Inputs], bars: Sequence[Iterable[Bars]], asked: Asked) -> Collected:
    """Collect the stories of instruments from their checked bars of the base timeframe, in parts and oldest first.

    Bars of several instruments go through compiled code together; threads of one process take turns.
    """
    with _TURNS, no_search_for_cycles():
        return _collect(given, bars, asked)


def _collect(given: Sequence[Inputs], bars: Sequence[Iterable[Bars]], asked: Asked) -> Collected:
    room = MANY if len(given) == 1 else SOME
    books = {id(inputs.rulebook): inputs.rulebook for inputs in given}
    pools = {which: _pools(rulebook, room) for which, rulebook in books.items()}
    changes = {which: changes_of(rulebook, variants=asked.variants) for which, rulebook in books.items()}
    pipelines = [inputs.pipeline(pools=pools[id(inputs.rulebook)]) for inputs in given]
    lanes: dict[int, StudyLane] = {}
    numbers: dict[int, int] = {}
    seen = [Seen([]) for _ in given]
    for inputs, pipeline, own in zip(given, pipelines, seen, strict=True):
        for each in pipeline.lanes:
            pool = each.engine.series.pool
            if id(pool) not in lanes:
                made = changes[id(inputs.rulebook)]
                lanes[id(pool)] = StudyLane(pool, each.timeframe.name, made, draws=asked.draws > 0)
            lane = lanes[id(pool)]
            numbers[id(each.engine)] = lane.add(inputs, each.engine)
            own.lanes.append((lane, numbers[id(each.engine)]))
    counted = [each.counted(own) for each, own in zip(seen, bars, strict=True)]
    of_lanes = [chain.from_iterable(map(each.made, own)) for each, own in zip(pipelines, counted, strict=True)]
    for together in in_step(of_lanes):
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


@lru_cache(8)
def _pools(rulebook: Rulebook, room: int) -> Pools:
    """Reuse the same pools for some instruments after the others: new memory takes time."""
    del rulebook
    return Pools(room)


@lru_cache(8)
def _without_setups(rulebook: Rulebook) -> Rulebook:
    return Rulebook(rulebook.rules, (), rulebook.surroundings, rulebook.follow)
