"""Engines as bytes, and many of them back: what is kept after each bar, and what only needs to be kept now and then."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis import kept_windows
from scanner.analysis.pool import Leap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.engine import SeriesEngine
    from scanner.market.bars import Bars

    Integers = NDArray[np.int64]

SIZE_BYTES = 4
NO_STORIES = (0).to_bytes(SIZE_BYTES, "little")
TIME_BYTES = 8


def snapshot_of(engine: SeriesEngine) -> bytes:
    """Give what must be kept after each bar, besides a checkpoint and the bars: its record and its stories."""
    return record_of(engine).tobytes() + stories_of(engine)


def record_of(engine: SeriesEngine) -> NDArray[Any]:
    """Give what a series remembers besides its windows: an array of one STATE record."""
    row = engine.series.row
    return engine.series.pool.state[row : row + 1]


def stories_of(engine: SeriesEngine) -> bytes:
    """Give what must be kept of the stories."""
    if engine.follower is None:
        return NO_STORIES
    kept = engine.follower.snapshot()
    return kept + len(kept).to_bytes(SIZE_BYTES, "little")


def checkpoint_of(engine: SeriesEngine) -> bytes:
    """Give what only needs to be kept now and then: the windows, to which a later run adds the bars since."""
    windows = kept_windows.packed(engine.series.pool, engine.series.row)
    return engine.last_close.to_bytes(TIME_BYTES, "little", signed=True) + windows


def restore_engines(
    engines: Sequence[SeriesEngine],
    snapshots: Sequence[bytes],
    checkpoints: Sequence[bytes],
    bars: Bars,
    begins: Integers,
    ends: Integers,
) -> dict[int, str]:
    """Let fresh engines go on, each from a snapshot and an earlier checkpoint.

    The last bars that the engine k has taken in are begins[k]…ends[k]−1 of ``bars``: all since the checkpoint, and
    ``history`` or all before it. Gives by place those that cannot go on, with the reason: bars are missing, or do not
    lead from the checkpoint to the snapshot. They must begin anew.
    """
    wrong: dict[int, str] = {}
    by_pool: dict[int, list[int]] = {}
    for place, (engine, kept) in enumerate(zip(engines, checkpoints, strict=True)):
        if len(kept) > TIME_BYTES:
            by_pool.setdefault(id(engine.series.pool), []).append(place)
        else:
            wrong[place] = "nothing was kept of the windows of the series"
    for places in by_pool.values():
        wrong |= _restore_pool(engines, checkpoints, bars, begins, ends, np.array(places))
    for place, (engine, kept) in enumerate(zip(engines, snapshots, strict=True)):
        if place not in wrong and not _restore_stories(engine, kept):
            wrong[place] = "the bars since do not lead to what was kept of the series"
    return wrong


def _restore_pool(
    engines: Sequence[SeriesEngine],
    checkpoints: Sequence[bytes],
    bars: Bars,
    begins: Integers,
    ends: Integers,
    places: NDArray[np.intp],
) -> dict[int, str]:
    """Bring some engines, all of one pool, to their last bars; gives by place those of which bars are missing."""
    pool = engines[places[0]].series.pool
    kept = [checkpoints[place] for place in places.tolist()]
    closes = np.frombuffer(b"".join([each[:TIME_BYTES] for each in kept]), dtype="<i8")
    windows = [each[TIME_BYTES:] for each in kept]
    known = kept_windows.counts_in(windows)
    middles = begins[places] + _up_to(closes, bars.close_time, begins[places], ends[places])
    middles[known == 0] = begins[places][known == 0]
    enough = middles - begins[places] >= np.minimum(known, pool.history)
    wrong = dict.fromkeys(places[~enough].tolist(), "bars from before the checkpoint are missing")
    which = np.flatnonzero(enough)
    rows = np.array([engines[place].series.row for place in places[which].tolist()], dtype=np.int64)
    begun = [windows[k] for k in which.tolist()]
    kept_windows.restore(pool, rows, begun, bars, begins[places[which]], middles[which])
    counts = ends[places[which]] - middles[which]
    finds, pool.finds = pool.finds, []  # what there was to find was said in its time
    try:
        for number, stop in pool.take(rows, np.cumsum(counts), bars.runs(middles[which], counts)):
            if isinstance(stop, Leap):
                engines[places[which[number]]].pass_over(stop)
    finally:
        pool.finds = finds
    return wrong


def _up_to(moments: Integers, closes: Integers, begins: Integers, ends: Integers) -> Integers:
    """Count the bars begins[k]…ends[k]−1 that closed by moments[k]."""
    counts: Integers = np.array(
        [
            np.searchsorted(closes[begin:end], moment, side="right")
            for moment, begin, end in zip(moments.tolist(), begins.tolist(), ends.tolist(), strict=True)
        ],
        dtype=np.int64,
    )
    return counts


def _restore_stories(engine: SeriesEngine, kept: bytes) -> bool:
    """Go on with the stories of a snapshot; False where the series is not what it was then."""
    size = int.from_bytes(kept[-SIZE_BYTES:], "little")
    end = len(kept) - SIZE_BYTES - size
    if record_of(engine).tobytes() != kept[:end]:
        return False
    if size:
        engine.follow_again(kept[end:-SIZE_BYTES])
    return True
