"""Whether the rows of a file are bars of another timeframe than the one that was asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.clocks import SECOND
from scanner.market.bars import NO_TIME
from scanner.market.sessions.timeframes import Timeframe

if TYPE_CHECKING:
    from numpy.typing import NDArray

FEWEST_COARSER = 20
"""Gaps from which on rows count as coarser bars: a few gaps may be bars without a trade."""
HOUR = 3_600


def other_timeframe(stamps: NDArray[np.int64], asked: Timeframe) -> Timeframe | None:
    """Give the timeframe that rows have instead of the one asked for; None if they may be bars of that one.

    ``stamps`` are in nanoseconds. Finer rows show in most gaps, with two of them in a row: the last bar of a session
    may be shorter than the others, which makes one short gap. Coarser rows show only if none is nearer to another than
    the coarser timeframe, and daily ones only where a session must have several bars.
    """
    gaps = np.diff(stamps[stamps != NO_TIME]) // SECOND
    gaps = gaps[gaps > 0]
    found = Timeframe.from_spacing(stamps)
    if found is None or not asked.intraday:
        return None
    short = gaps < asked.seconds
    if np.any(short[1:] & short[:-1]) and 2 * np.count_nonzero(short) > len(gaps):
        return found if found < asked else None
    several = found.intraday or asked.seconds <= HOUR
    coarser = asked < found and several and len(gaps) >= FEWEST_COARSER and bool(np.all(gaps >= found.seconds))
    return found if coarser else None
