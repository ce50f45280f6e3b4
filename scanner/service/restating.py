"""Restated bars: what differs in what a feed says now, and the withdrawal of a setup that does not stand on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.events import Event, event_id, rfc3339
from scanner.market.bars import Bars

if TYPE_CHECKING:
    from scanner.events import WithdrawnData


def first_different(now: Bars, known: Bars) -> int | None:
    """Find the close of the first known bar that now has another value; None where all are as they were."""
    where = np.searchsorted(known.open_time, now.open_time)
    for i, j in enumerate(where.tolist()):
        if j < len(known) and known.open_time[j] == now.open_time[i] and not _same(now[i : i + 1], known[j : j + 1]):
            return int(known.close_time[j])
    return None


def _same(one: Bars, other: Bars) -> bool:
    return all(
        np.array_equal(a, b, equal_nan=True) for a, b in zip(one.columns()[2:], other.columns()[2:], strict=True)
    )


def overlaid(bars: Bars, corrected: Bars) -> Bars:
    """Replace the bars that were corrected."""
    where = np.searchsorted(bars.open_time, corrected.open_time)
    there = (where < len(bars)) & (bars.open_time[np.minimum(where, len(bars) - 1)] == corrected.open_time)
    columns = [column.copy() for column in bars.columns()]
    for column, right in zip(columns, corrected.columns(), strict=True):
        column[where[there]] = right[there]
    return Bars(*columns)


def withdrawal(said: Event) -> Event:
    """Withdraw a setup that was said."""
    data: WithdrawnData = {
        "instrument": said.data["instrument"],
        "timeframe": said.data["timeframe"],
        "setup": said.data["setup"],
        "direction": said.data["direction"],
        "bar_open": said.data["bar_open"],
        "bar_close": said.data["bar_close"],
        "withdraws": said.id,
        "reason": f"the feed restated bars; on what it says now, the setup of {rfc3339(said.time)} does not stand",
    }
    return Event(
        "setup.withdrawn",
        event_id("setup.withdrawn", said.id),
        said.time,
        said.subject,
        data,
        thread=said.thread or said.id,
    )
