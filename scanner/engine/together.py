"""New bars of several series at once, through compiled code together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.engine.series_engine import go_on, said_at
from scanner.market.bars import Bars

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.pool import Stop
    from scanner.engine.series_engine import SeriesEngine
    from scanner.events import Event


def push_together(engines: Sequence[SeriesEngine], bars: Sequence[Bars]) -> list[list[Event]]:
    """Give several different engines their new bars at once, and return the events of each.

    None gets more bars than its pool has room for. Engines that share a pool go through compiled code together.
    """
    return push_joined(engines, Bars.joined(bars), np.cumsum([len(own) for own in bars], dtype=np.int64))


def push_joined(engines: Sequence[SeriesEngine], bars: Bars, ends: NDArray[np.int64]) -> list[list[Event]]:
    """Do the same as ``push_together``; engine k gets the bars ends[k−1]…ends[k]−1 of ``bars``."""
    said: list[list[Event]] = [[] for _ in engines]
    by_pool: dict[int, list[int]] = {}
    begins = np.concatenate([[0], ends[:-1]])
    for number, (engine, count) in enumerate(zip(engines, (ends - begins).tolist(), strict=True)):
        engine.leans.forget()
        if engine.decisions:
            said[number] += engine.events(bars[int(begins[number]) : int(ends[number])])
        elif count:
            by_pool.setdefault(id(engine.series.pool), []).append(number)
    for numbers in by_pool.values():
        rows, pool = np.array([engines[number].series.row for number in numbers]), engines[numbers[0]].series.pool
        own, own_ends = bars, ends
        if len(numbers) < len(engines):
            counts = (ends - begins)[numbers]
            own_ends = np.cumsum(counts)
            own = bars.runs(begins[numbers], counts)
        together = [engines[number] for number in numbers]
        for stop in pool.take(rows, own_ends, own):
            for place, event in said_at(stop, together):
                said[numbers[place]].append(event)
    for number, _, event in go_on(dict(enumerate(engines)), {}):
        said[number].append(event)
    return said


def push_silently(engines: Sequence[SeriesEngine], bars: Sequence[Bars]) -> Iterator[Stop]:
    """Give several different engines of one pool their new bars, and stop after each stretch taken in.

    They give no events, but are put on hold where prices jump.
    """
    for engine in engines:
        engine.leans.forget()
    rows = np.array([engine.series.row for engine in engines], dtype=np.int64)
    for stop in engines[0].series.pool.take_each(rows, bars):
        yield stop
        for place, index in stop.jumps:
            for _ in engines[int(stop.series[place])].jump(index):
                pass
