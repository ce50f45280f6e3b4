"""Usual answers of many instruments, taken in together: from their rows to what to publish and store."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.engine.together import push_joined
from scanner.market.bars import Bars
from scanner.market.guard import Checked
from scanner.service.resuming import are_due, checkpoint_of, snapshot_of
from scanner.service.together.usual import Rows, usual_answers
from scanner.store import SentRows, SeriesKey, SeriesUpdates

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.events import Event
    from scanner.market.bars import RawBars
    from scanner.market.guard import Note
    from scanner.pipeline import Pipeline
    from scanner.service.together.arrival import Arrival
    from scanner.service.together.last_bars import LastBars

    Integers = NDArray[np.int64]


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
    timetable, rows = whole[0].guard.timetable, Rows.of(arrivals)
    numbers = last.rows([each.instrument for each in arrivals])
    phases = np.array([each.guard.phase for each in whole], dtype=np.int64)
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


def _bars(rows: Rows, at: Integers, opens: Integers, closes: Integers) -> Bars:
    raw = rows.raw
    return Bars(opens, closes, raw.open[at], raw.high[at], raw.low[at], raw.close[at], raw.volume[at])


def _follow(bars: Bars, pipelines: Sequence[Pipeline]) -> None:
    """Advance each guard by its new bar, if there is one."""
    prices = zip(*(column.tolist() for column in bars.columns()[2:]), strict=True)
    for opened, closed, row, pipeline in zip(bars.open_time.tolist(), bars.close_time.tolist(), prices, pipelines):  # noqa: B905 - there may be no bar of the last
        pipeline.guard.follow(opened, closed, row)


def _sent(rows: Rows, keys: Sequence[SeriesKey], which: NDArray[np.intp], closed: Integers) -> SentRows:
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
