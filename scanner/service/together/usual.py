"""The usual answers of many instruments as one table, taken in together: from their rows to what to publish and store.

Usual is the last bar unchanged, the next one, and perhaps one that is still open.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from scanner.engine.together import push_joined
from scanner.market.bars import NO_TIME, Bars, RawBars
from scanner.market.guard import Checked
from scanner.market.numbers import BEYOND_PRICES
from scanner.market.unusual import JUMP
from scanner.service.resuming import are_due, checkpoint_of, snapshot_of
from scanner.store import SentRows, SeriesKey, SeriesUpdates

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.events import Event
    from scanner.market.guard import Note
    from scanner.market.sessions.timetables import Timetable
    from scanner.pipeline import Pipeline
    from scanner.service.together.last_bars import LastBars

    Integers = NDArray[np.int64]
    Marks = NDArray[np.bool_]

ASKED_AFTERWARDS = np.iinfo(np.int64).max
"""For rows that were all complete when they were asked for."""


class Arrival(NamedTuple):
    """Rows that a feed gave for an instrument of the list.

    ``asked`` is when it was asked: a bar that was open then was not complete, even if it has closed since. ``since``
    is the opening from which on it was asked, None if it was asked for all it has. If ``raw`` is a table shared by
    several instruments, ``shared`` says which of its rows belong to this one.
    """

    instrument: str
    raw: RawBars
    asked: int = ASKED_AFTERWARDS
    since: int | None = None
    shared: slice | None = None

    @property
    def part(self) -> slice:
        """Which rows of the table belong to the instrument."""
        return slice(0, len(self.raw)) if self.shared is None else self.shared

    @property
    def rows(self) -> RawBars:
        """The rows of the instrument."""
        return self.raw if self.shared is None else self.raw[self.shared]


@dataclass(frozen=True, slots=True)
class Answers:
    """The rows of many answers in one table: those of the answer k are ``count[k]`` from ``begin[k]`` on."""

    raw: RawBars
    begin: Integers
    count: Integers

    @classmethod
    def of(cls, arrivals: Sequence[Arrival]) -> Answers:
        """Put the rows of answers of one source together; rows that already share a table are not copied."""
        shared: dict[int, tuple[RawBars, int]] = {}
        size = 0
        begins, counts = [], []
        for each in arrivals:
            raw, part = each.raw, each.part
            found = shared.get(id(raw))
            if found is None:
                found = shared[id(raw)] = raw, size
                size += len(raw)
            begins.append(found[1] + part.start)
            counts.append(part.stop - part.start)
        raws = [raw for raw, _ in shared.values()]
        return cls(RawBars.joined(raws), np.array(begins, dtype=np.int64), np.array(counts, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Usual:
    """Which answers are ``usual``, and what these hold: rows that have ``closed``, and the one ``new`` bar.

    ``new`` is the row of the bar after the last known one, −1 if there is none, and ``opens`` and ``closes`` are its
    times. For the other answers these values mean nothing.
    """

    usual: Marks
    closed: Integers
    new: Integers
    opens: Integers
    closes: Integers


def usual_answers(
    rows: Answers, times: Integers, prices: NDArray[np.float64], timetable: Timetable, phases: Integers, now: Integers
) -> Usual:
    """Separate usual answers from the others, each of which needs a close look.

    ``times`` (answers × open and close) and ``prices`` (answers × 5) are those of the last known bar of each
    instrument. ``phases`` are where its bars begin after a whole hour (see ``Guard.phase``), empty if the sessions are
    known, and ``now`` is when a bar must have closed. A new bar is one that the guard would take without a note.
    """
    raw, spot = rows.raw, 1 if rows.raw.stamp_kind == "close" else 0
    known = (times[:, 0] != NO_TIME) & (rows.count > 0)

    def at(place: Integers) -> Integers:
        clipped: Integers = np.minimum(rows.begin + place, len(raw) - 1)
        return clipped

    first = at(np.zeros(len(now), dtype=np.int64))
    was = (raw.open[first], raw.high[first], raw.low[first], raw.close[first], raw.volume[first])
    seen = known & (raw.stamp[first] == times[:, spot])
    for column, value in zip(prices.T, was, strict=True):
        seen &= (column == value) | (np.isnan(column) & np.isnan(value))
    place = seen.astype(np.int64)  # of the row after the last bar, if the answer has one
    left = rows.count - place

    follows = timetable.following(times[:, 1])
    after = timetable.following(follows[1])
    next_row = at(place)
    is_next = known & (left > 0) & (raw.stamp[next_row] == follows[spot]) & (follows[1] != NO_TIME)
    has_closed = is_next & (follows[1] <= now)
    is_open = (left == 2) & (raw.stamp[at(place + 1)] == after[spot]) & (after[1] > now)  # noqa: PLR2004 - one more
    usual = known & ((left == 0) & seen | is_next & (left == 1) | has_closed & is_open)

    sound = _sound(raw, next_row, prices[:, 3], prices[:, 4])
    if not timetable.calendar.known:
        sound &= follows[0] % timetable.longest_phase == phases
    usual &= sound | ~has_closed
    new = usual & has_closed
    return Usual(usual, place + new, np.where(new, next_row, -1), follows[0], follows[1])


def _sound(raw: RawBars, at: Integers, last_close: NDArray[np.float64], last_volume: NDArray[np.float64]) -> Marks:
    """Say which rows have numbers that the guard takes without a note after those of the last bar.

    NaN fails all comparisons.
    """
    first, high, low, last, volume = raw.open[at], raw.high[at], raw.low[at], raw.close[at], raw.volume[at]
    sound = (low > -BEYOND_PRICES) & (low <= first) & (first <= high) & (high < BEYOND_PRICES)
    sound &= (low <= last) & (last <= high) & ~((volume < 0) | (volume == np.inf))
    sound &= ~((low == high) & (volume == 0)) & (np.isnan(volume) == np.isnan(last_volume))
    least, most = np.minimum(low, last_close), np.maximum(high, last_close)
    sound &= ~((least > 0) & (most >= JUMP * least))
    return sound


@dataclass(slots=True)
class Together:
    """The result of usual answers: ``rows`` of the instruments among the last bars, and what to publish and store.

    ``names`` are all instruments with a usual answer, with or without a new bar.
    """

    names: set[str]
    rows: Integers
    updates: SeriesUpdates
    sent: SentRows
    said: list[tuple[Event, SeriesKey]] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)


def take_usual(
    arrivals: Sequence[Arrival],
    pipelines: Mapping[str, Pipeline],
    last: LastBars,
    is_after_its_end: Callable[[str, Pipeline, Bars], bool],
    now: int,
) -> tuple[Together, list[tuple[Arrival, Checked]], list[Arrival]]:
    """Take in the usual among answers of one source on one timetable.

    Returns the result, the new bars that may complete coarser ones, and the answers that need a close look.
    ``is_after_its_end`` says whether a bar belongs to a coarser one that already counted as complete.
    """
    whole = [pipelines[each.instrument] for each in arrivals]
    timetable, rows = whole[0].guard.timetable, Answers.of(arrivals)
    numbers = last.rows([each.instrument for each in arrivals])
    unsure = () if timetable.calendar.known else whole
    phases = np.array([each.guard.phase for each in unsure], dtype=np.int64)
    known = np.minimum(np.array([each.asked for each in arrivals], dtype=np.int64), now)
    found = usual_answers(rows, last.times[numbers], last.prices[numbers], timetable, phases, known)
    raw, usual = rows.raw, found.usual
    alone = np.array([each.is_alone for each in whole], dtype=np.bool_)
    single = []
    for place in np.flatnonzero(usual & ~alone).tolist():
        at = found.new[[place]]
        at = at[at >= 0]
        bar = _bars(rows, at, found.opens[[place]][: len(at)], found.closes[[place]][: len(at)])
        if is_after_its_end(arrivals[place].instrument, whole[place], bar):
            usual[place] = False
        else:
            single.append((arrivals[place], Checked(bar, [], Counter(), raw.row[at], raw.source)))
            _follow(bar, [whole[place]])
    keys = [SeriesKey(each.instrument, of.base.name) for each, of in zip(arrivals, whole, strict=True)]
    places = np.flatnonzero(usual & alone & (found.new >= 0))
    bars, taken = _bars(rows, found.new[places], found.opens[places], found.closes[places]), places.tolist()
    _follow(bars, [whole[place] for place in taken])
    together = Together(
        {each.instrument for each, was in zip(arrivals, usual.tolist(), strict=True) if was},
        numbers[places],
        SeriesUpdates([keys[place] for place in taken], np.ones(len(places), dtype=np.int64), bars, [], {}),
        _sent(rows, keys, np.flatnonzero(usual), found.closed),
    )
    _run(together, [whole[place] for place in taken], last.times[numbers[places], 1], found.new[places], raw)
    return together, single, [arrivals[place] for place in np.flatnonzero(~usual).tolist()]


def _bars(rows: Answers, at: Integers, opens: Integers, closes: Integers) -> Bars:
    raw = rows.raw
    return Bars(opens, closes, raw.open[at], raw.high[at], raw.low[at], raw.close[at], raw.volume[at])


def _follow(bars: Bars, pipelines: Sequence[Pipeline]) -> None:
    """Advance each guard by its new bar, if there is one."""
    prices = zip(*(column.tolist() for column in bars.columns()[2:]), strict=True)
    for opened, closed, row, pipeline in zip(bars.open_time.tolist(), bars.close_time.tolist(), prices, pipelines):  # noqa: B905 - there may be no bar of the last
        pipeline.guard.follow(opened, closed, row)


def _sent(rows: Answers, keys: Sequence[SeriesKey], which: NDArray[np.intp], closed: Integers) -> SentRows:
    """Give the rows of some answers that have closed."""
    which = which[closed[which] > 0]
    counts = closed[which]
    ends = np.cumsum(counts)
    at = np.repeat(rows.begin[which] - (ends - counts), counts) + np.arange(ends[-1] if len(ends) else 0)
    return SentRows([keys[place] for place in which.tolist()], counts, rows.raw[at])


def _run(together: Together, pipelines: Sequence[Pipeline], before: Integers, rows: Integers, raw: RawBars) -> None:
    """Let the engines take in a new bar each, and collect their events and what to store.

    ``before`` is when the bar before each closed, ``rows`` are the positions of the bars in ``raw``.
    """
    updates = together.updates
    if not pipelines:
        return
    engines = [each.lanes[0].engine for each in pipelines]
    for key, said in zip(updates.keys, push_joined(engines, updates.bars, np.arange(1, len(engines) + 1)), strict=True):
        together.said += [(event, key) for event in said]
    for place, (engine, pipeline) in enumerate(zip(engines, pipelines, strict=True)):
        if engine.suspects:
            checked = Checked(updates.bars[place : place + 1], [], Counter(), raw.row[rows[[place]]], raw.source)
            together.notes += pipeline.suspects(checked)
    due = np.flatnonzero(are_due(pipelines, before, updates.bars.close_time))
    together.updates = replace(
        updates,
        states=[snapshot_of(each) for each in pipelines],
        checkpoints={place: checkpoint_of(pipelines[place]) for place in due.tolist()},
    )
