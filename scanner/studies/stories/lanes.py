"""The series of some instruments on one timeframe under the same rules: their setups, and those of variants."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import ATR, CLOSE
from scanner.engine.together import push_silently
from scanner.follow.begun import begun_of
from scanner.studies.parts import VARIANTS
from scanner.studies.stories.candidates import find_candidates
from scanner.studies.stories.columns import told_of
from scanner.studies.stories.controls import Wanted, mark_bars
from scanner.studies.stories.story_table import StoryTable, runs
from scanner.studies.stories.variants import AS_IS
from scanner.trade.levels import RISK
from scanner.trade.plan import STYLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool, Stop
    from scanner.engine.series_engine import SeriesEngine
    from scanner.follow.stories import Ends
    from scanner.market.bars import Bars
    from scanner.pipeline import Inputs
    from scanner.studies.stories.candidates import Candidates
    from scanner.studies.stories.columns import Columns
    from scanner.studies.stories.variants import Changes

    Integers = NDArray[np.int64]

NOWHERE = np.zeros((0, 2), dtype=np.int64)


@dataclass(slots=True)
class Member:
    """A series of a lane, and what the controls need of it.

    ``replanned`` are the variants that change entries, stops or spoilers; see ``Candidates``. ``times`` are the closes
    of the bars that were judged, with their ``marks``, and ``standing`` those with setups, as (close, sign). ``judged``
    counts the bars that were judged.
    """

    inputs: Inputs
    engine: SeriesEngine
    ends: Ends
    replanned: NDArray[np.bool_]
    judged: int = 0
    bars: list[Bars] = field(default_factory=list)
    times: list[Integers] = field(default_factory=list)
    marks: list[NDArray[np.uint8]] = field(default_factory=list)
    standing: list[Integers] = field(default_factory=lambda: [NOWHERE])
    wanted: list[Wanted] = field(default_factory=list)


class StudyLane:
    """Several series of one pool; ``stories`` are those found in them.

    Unless it ``draws`` controls, it keeps nothing for them.
    """

    def __init__(self, pool: Pool, timeframe: str, changes: Changes, *, draws: bool) -> None:
        self.pool = pool
        self.stories = StoryTable(timeframe)
        self.members: list[Member] = []
        self.changes = changes
        self._draws = draws

    def add(self, inputs: Inputs, engine: SeriesEngine) -> int:
        """Add a series; gives its number."""
        replanned = np.zeros(len(self.changes.variants), dtype=np.bool_)
        self.members.append(Member(inputs, engine, self.stories.listen(engine), replanned))
        self.stories.inputs.append(inputs)
        return len(self.members) - 1

    def take(self, numbers: Sequence[int], parts: Sequence[Bars]) -> None:
        """Take in bars of some series, find their setups and those of variants, and follow them."""
        those = [self.members[number] for number in numbers]
        if self._draws:
            for member, bars in zip(those, parts, strict=True):
                member.bars.append(bars)
        with self.pool.without_setups() if self.changes.without else nullcontext():  # then the candidates have them
            for stop in push_silently([member.engine for member in those], parts):
                self._find(stop, np.array(numbers)[stop.series])

    def end(self) -> None:
        """Collect the stories that have not ended."""
        self.stories.end([member.ends for member in self.members])

    def _find(self, stop: Stop, series: Integers) -> None:
        members = [self.members[number] for number in series.tolist()]
        found = find_candidates(self.pool, stop, [member.engine.case() for member in members], self.changes)
        judged = (stop.end - stop.first).tolist()
        for member, replanned, bars in zip(members, found.replanned, judged, strict=True):
            member.replanned |= replanned
            member.judged += bars
        weighed = found.weighed
        records, counts = begun_of(weighed), found.stands | found.variants.any(axis=1)
        records = records[counts[records["number"]]]
        rows, spots = records["number"].copy(), weighed.fits.spots[weighed.rows]
        told = told_of(weighed, rows) | {"source": ["setup"] * len(rows), "of": [""] * len(rows)}
        told |= {"found": found.stands[rows], VARIANTS: found.variants[rows]}
        sides, of = spots[found.stands][:, 1:], weighed.of[found.stands]
        standing = [NOWHERE] * len(members)
        for place, begin, end in runs(of):
            standing[place] = sides[begin:end]
        if self._draws:
            self._note(stop, members, standing)
            self._want(members, found, rows, told)
        begun = records, weighed.of[rows], spots[rows]
        self.stories.follow(self.pool, [member.ends for member in members], series, begun, told, standing)

    def _note(self, stop: Stop, members: Sequence[Member], standing: Sequence[Integers]) -> None:
        """Keep the closes of the bars that were judged, with their marks, and those with setups."""
        ends = np.cumsum(stop.end - stop.first)
        marks = np.empty(int(ends[-1]), dtype=np.uint8)
        mark_bars(self.pool.columns, stop.rows, stop.first, stop.end, marks)
        where = stop.rows.tolist(), stop.first.tolist(), stop.end.tolist(), np.split(marks, ends[:-1])
        for member, sides, row, first, end, own in zip(members, standing, *where, strict=True):
            closes = self.pool.times[row, 1]
            member.times.append(closes[first:end].copy())
            member.marks.append(own)
            if len(sides):
                member.standing.append(np.stack([closes[sides[:, 0]], sides[:, 1]], axis=1))

    def _want(self, members: Sequence[Member], found: Candidates, rows: Integers, told: Columns) -> None:
        """Note the setups that need controls."""
        weighed = found.weighed
        fits, those = weighed.fits, weighed.rows[rows]
        (row, index, sign), levels = fits.spots[those].T, fits.levels[those]
        atr, close = self.pool.columns[row, ATR, index], self.pool.columns[row, CLOSE, index]
        with np.errstate(divide="ignore", invalid="ignore"):  # setups without an ATR get no controls
            risk = weighed.planned[rows, RISK + STYLES.index(self.pool.rules.entry_style)] / weighed.units[rows]
            risks, spoilers = (risk / atr).tolist(), (sign * (close - levels["beyond"]) / atr).tolist()
        of = weighed.of[rows].tolist()
        for k in np.flatnonzero((atr != 0.0) & found.variants[rows, AS_IS]).tolist():
            about = told["id"][k], told["setup"][k], int(sign[k]), told["exit_style"][k] == "ride"
            members[of[k]].wanted.append(Wanted(*about, levels[k], risks[k], spoilers[k]))
