"""Pipelines stored as bytes and restored: what is stored with each bar, and what only now and then."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zlib import crc32

import numpy as np

from scanner.analysis.indicators import kept_windows
from scanner.store.packing import joined, parts_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.engine.series_engine import SeriesEngine
    from scanner.market.bars import Bars
    from scanner.pipeline import Pipeline

    Integers = NDArray[np.int64]

BETWEEN = 32
"""Bars between two checkpoints: few enough for a quick start, many enough to cost next to nothing."""
SIZE_BYTES = 4
TIME_BYTES = 8


def snapshot_of(pipeline: Pipeline) -> bytes:
    """Give what must be stored after each bar, besides checkpoint and bars, to continue in a later run."""
    parts = [pipeline.mark, pipeline.guard.snapshot()]
    for lane in pipeline.lanes:
        parts += [b"" if lane.aggregator is None else lane.aggregator.snapshot(), state_of(lane.engine)]
    return joined(parts)


def state_of(engine: SeriesEngine) -> bytes:
    """Give what must be stored of an engine after each bar: its state besides the windows, and its stories."""
    stories = b"" if engine.follower is None else engine.follower.snapshot()
    return _record(engine) + stories + len(stories).to_bytes(SIZE_BYTES, "little")


def checkpoint_of(pipeline: Pipeline) -> bytes:
    """Give what is stored about every ``BETWEEN`` bars: the windows, to which a start adds the bars since."""
    return joined(windows_of(lane.engine) for lane in pipeline.lanes)


def windows_of(engine: SeriesEngine) -> bytes:
    """Give the windows of an engine, and when their last bar closed."""
    windows = kept_windows.packed(engine.series.pool, engine.series.row)
    return engine.last_close.to_bytes(TIME_BYTES, "little", signed=True) + windows


def are_due(pipelines: Sequence[Pipeline], before: Integers, now: Integers) -> NDArray[np.bool_]:
    """Say which pipelines of one base timeframe are due for a checkpoint with a bar that closes ``now``.

    The bar before it closed ``before``. They take turns, so that not all are due at once.
    """
    length = pipelines[0].base.nanoseconds
    turns = np.array([crc32(each.instrument.symbol.encode()) for each in pipelines], dtype=np.int64)
    due: NDArray[np.bool_] = (now // length + turns) // BETWEEN != (before // length + turns) // BETWEEN
    return due


def restore(
    pipelines: Sequence[Pipeline],
    snapshots: Sequence[bytes],
    checkpoints: Sequence[bytes],
    bars: Bars,
    begins: Integers,
    ends: Integers,
) -> set[int]:
    """Restore fresh pipelines, each from a snapshot and an earlier checkpoint.

    The last bars of the lane k, of all lanes of all pipelines in their order, are begins[k]…ends[k]−1 of ``bars``: all
    since the checkpoint, and ``history`` or all before it. Returns the places of the pipelines that cannot be
    restored: they have changed, bars are missing, or the bars do not lead from the checkpoint to the snapshot. These
    must start afresh.
    """
    engines: list[SeriesEngine] = []
    states, windows, lanes, places, before = list[bytes](), list[bytes](), list[int](), list[int](), 0
    for place, (pipeline, snapshot, checkpoint) in enumerate(zip(pipelines, snapshots, checkpoints, strict=True)):
        own, before = range(before, before + len(pipeline.lanes)), before + len(pipeline.lanes)
        mark, *parts = parts_of(snapshot)
        if mark != pipeline.mark or len(parts) != 1 + 2 * len(pipeline.lanes):
            continue
        try:
            pipeline.guard.restore(parts[0])
            for lane, aggregated in zip(pipeline.lanes, parts[1::2], strict=True):
                if lane.aggregator is not None:
                    lane.aggregator.restore(aggregated)
        except ValueError:  # an earlier release stored it in another form
            continue
        engines += [lane.engine for lane in pipeline.lanes]
        states += parts[2::2]
        windows += parts_of(checkpoint) or [b""] * len(own)
        lanes += own
        places += [place] * len(own)
    which = np.array(lanes, dtype=np.int64)
    failed = restore_engines(engines, states, windows, bars, begins[which], ends[which])
    return set(range(len(pipelines))) - set(places) | {places[number] for number in failed}


def restore_engines(
    engines: Sequence[SeriesEngine],
    states: Sequence[bytes],
    checkpoints: Sequence[bytes],
    bars: Bars,
    begins: Integers,
    ends: Integers,
) -> set[int]:
    """Restore fresh engines, each from its state and earlier windows; see ``restore``."""
    by_pool: dict[int, list[int]] = {}
    for place, (engine, kept) in enumerate(zip(engines, checkpoints, strict=True)):
        if len(kept) > TIME_BYTES:
            by_pool.setdefault(id(engine.series.pool), []).append(place)
    known = {place for places in by_pool.values() for place in _begun(engines, checkpoints, bars, begins, ends, places)}
    gone_on = {place for place in known if _goes_on(engines[place], states[place])}
    return set(range(len(engines))) - gone_on


def _begun(
    engines: Sequence[SeriesEngine],
    checkpoints: Sequence[bytes],
    bars: Bars,
    begins: Integers,
    ends: Integers,
    places: Sequence[int],
) -> list[int]:
    """Bring engines of one pool from their checkpoints to their last bars; gives the places of those that got there."""
    pool, windows = engines[places[0]].series.pool, [checkpoints[place][TIME_BYTES:] for place in places]
    middles = begins[places].copy()  # the checkpoint includes the bars up to there
    counts = kept_windows.counts_in(windows)
    for k in np.flatnonzero(counts).tolist():
        last_close = int.from_bytes(checkpoints[places[k]][:TIME_BYTES], "little", signed=True)
        closes = bars.close_time[begins[places[k]] : ends[places[k]]]
        middles[k] += np.searchsorted(closes, last_close, side="right")
    which = np.flatnonzero(middles - begins[places] >= np.minimum(counts, pool.history))
    found, begun = [places[k] for k in which.tolist()], [windows[k] for k in which.tolist()]
    rows, since = np.array([engines[place].series.row for place in found], dtype=np.int64), middles[which]
    kept_windows.restore(pool, rows, begun, bars, since)
    new = ends[found] - since
    with pool.without_setups():  # its events were published at the time
        for stop in pool.take(rows, np.cumsum(new), bars.runs(since, new)):
            for place, index in stop.jumps:
                engines[found[stop.series[place]]].pass_over(index)
    return found


def _goes_on(engine: SeriesEngine, kept: bytes) -> bool:
    """Restore the stories of a state; False if the series has changed since."""
    size = int.from_bytes(kept[-SIZE_BYTES:], "little")
    end = len(kept) - SIZE_BYTES - size
    if _record(engine) != kept[:end]:
        return False
    if size:
        engine.follow_again(kept[end:-SIZE_BYTES])
    return True


def _record(engine: SeriesEngine) -> bytes:
    """Give the state of a series besides its windows."""
    row = engine.series.row
    return engine.series.pool.state[row : row + 1].tobytes()
