"""The windows of series as bytes, to which a later run only adds the bars since."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import (
    COLUMNS,
    DEEP,
    DEEP_ATR,
    DEEP_CLOSE,
    DEEP_HIGH,
    DEEP_LOW,
    FAST_AVERAGE,
)
from scanner.analysis.indicators.spikes import SPIKE, Spike
from scanner.analysis.indicators.state import STATE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool
    from scanner.market.bars import Bars

    Integers = NDArray[np.int64]

LAYOUT = f"{STATE} {COLUMNS} {DEEP} {SPIKE}"
"""Identifies the layout."""
SIZE = STATE.itemsize


def packed(pool: Pool, row: int) -> bytes:
    """Pack everything about a series that cannot be computed from its last bars."""
    count, last = int(pool.state["count"][row]), int(pool.used[row])
    deep, known, kept = last + pool.shift, min(count, pool.history), min(count, pool.kept)
    return (
        pool.state[row].tobytes()
        + pool.deep[row, DEEP_ATR, deep - known : deep].tobytes()
        + pool.columns[row, FAST_AVERAGE:, last - kept : last].tobytes()
        + np.array(pool.spikes.get(row, []), dtype=SPIKE).tobytes()
    )


def counts_in(windows: Sequence[bytes]) -> Integers:
    """Give how many bars each series had seen."""
    counts: Integers = np.frombuffer(b"".join([each[:SIZE] for each in windows]), dtype=STATE)["count"].copy()
    return counts


def restore(pool: Pool, rows: Integers, windows: Sequence[bytes], bars: Bars, ends: Integers) -> None:
    """Restore the series of some rows from their ``windows``.

    The last bars of the series rows[k] come before ends[k] in ``bars``: ``history`` of them, or all that it has seen.
    """
    states = np.frombuffer(b"".join([each[:SIZE] for each in windows]), dtype=STATE)
    known = np.minimum(states["count"], pool.history)
    pool.clear(rows)
    pool.state[rows] = states
    for count in np.unique(known).tolist():
        which = np.flatnonzero(known == count)
        kept = min(count, pool.kept)
        floats = count + (COLUMNS - FAST_AVERAGE) * kept
        end = SIZE + 8 * floats
        numbers = np.frombuffer(b"".join([windows[k][SIZE:end] for k in which.tolist()])).reshape(len(which), floats)
        at, of = ends[which][:, None] + np.arange(-count, 0), rows[which]
        deep, last = slice(pool.history - count, pool.history), slice(pool.kept - kept, pool.kept)
        for column, values in ((DEEP_HIGH, bars.high), (DEEP_LOW, bars.low), (DEEP_CLOSE, bars.close)):
            pool.deep[of, column, deep] = values[at]
        pool.deep[of, DEEP_ATR, deep] = numbers[:, :count]
        pool.columns[of, FAST_AVERAGE:, last] = numbers[:, count:].reshape(len(which), COLUMNS - FAST_AVERAGE, kept)
        newest = at[:, count - kept :]
        for column, values in enumerate(bars.columns()[2:]):
            pool.columns[of, column, last] = values[newest]
        pool.times[of, 0, last], pool.times[of, 1, last] = bars.open_time[newest], bars.close_time[newest]
        for k in which.tolist():
            if rest := windows[k][end:]:
                pool.spikes[int(rows[k])] = [Spike(*each) for each in np.frombuffer(rest, dtype=SPIKE).tolist()]
