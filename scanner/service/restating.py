"""Restated bars: what differs in what a feed says now, and the withdrawal of a setup that does not stand on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.events import Event, event_id, rfc3339
from scanner.market.bars import Bars

if TYPE_CHECKING:
    from scanner.events import WithdrawnData


def first_different(now: Bars, known: Bars) -> int | None:
    """Find the close of the first bar that now has another value, or came only after later ones.

    None where all are as they were; what is older than all that is known does not count.
    """
    where = np.searchsorted(known.open_time, now.open_time)
    for i, j in enumerate(where.tolist()):
        is_known = j < len(known) and known.open_time[j] == now.open_time[i]
        if j > 0 and not is_known:
            return int(now.close_time[i])
        if is_known and not same(now[i : i + 1], known[j : j + 1]):
            return int(known.close_time[j])
    return None


def same(one: Bars, other: Bars) -> bool:
    """Whether bars are the same in every column; a volume that is missing is the same as one that is missing."""
    return all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one.columns(), other.columns(), strict=True))


def overlaid(bars: Bars, corrected: Bars) -> Bars:
    """Replace the bars that were corrected, and put those in their places that came only after later ones."""
    later = corrected[int(np.searchsorted(corrected.open_time, bars.open_time[0])) :] if len(bars) else corrected
    kept = ~np.isin(bars.open_time, later.open_time)
    parts = zip(bars.columns(), later.columns(), strict=True)
    columns = [np.concatenate([column[kept], right]) for column, right in parts]
    order = np.argsort(columns[0], kind="stable")
    return Bars(*(column[order] for column in columns))


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
