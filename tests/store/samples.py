"""Invented batches for the tests of the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.events import Event, event_id
from scanner.market.bars import Bars, RawBars
from scanner.store import Said, Sent, SeriesKey, SeriesUpdate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Kind

MINUTE = 60 * 1_000_000_000
START = 1_760_000_040 * 1_000_000_000
GANNET, FULMAR = SeriesKey("GANNET", "1m"), SeriesKey("FULMAR", "1m")


def minute_bars(first: int, count: int, base: float = 100.0) -> Bars:
    """Invent one-minute bars; ``first`` counts minutes from START, and each price identifies its bar."""
    opens = START + MINUTE * np.arange(first, first + count, dtype=np.int64)
    price = base + np.arange(first, first + count) / 100
    return Bars(opens, opens + MINUTE, price, price + 0.5, price - 0.5, price + 0.25, np.full(count, np.nan))


def update(key: SeriesKey, first: int, count: int, base: float = 100.0) -> SeriesUpdate:
    return SeriesUpdate(key, minute_bars(first, count, base), f"state after {first + count}".encode())


def sent(key: SeriesKey, first: int, count: int) -> Sent:
    bars = minute_bars(first, count)
    row = np.arange(first, first + count)
    raw = RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, row, "invented")
    return Sent(key, raw)


def said(
    key: SeriesKey,
    minute: int,
    sinks: Sequence[str] = ("console",),
    thread: str | None = None,
    kind: Kind = "setup.qualified",
    risk: str | None = None,
) -> Said:
    """Invent the event of the bar that opens at a minute; ``risk`` is that of the planned entry, None without one."""
    close = START + MINUTE * (minute + 1)
    name = event_id(kind, *key, str(close))
    plan = {"entry_style": "break", "entries": {"break": {"risk": risk}}} if risk else {}
    data = {"instrument": key.instrument, "timeframe": key.timeframe, "price": 0.1 + minute} | plan
    return Said(Event(kind, name, close, "/".join(key), data, thread=name if thread is None else thread), sinks, key)


def same_bars(one: Bars, other: Bars) -> bool:
    """Whether bars are the same bit for bit."""
    return all(a.tobytes() == b.tobytes() for a, b in zip(one.columns(), other.columns(), strict=True))
