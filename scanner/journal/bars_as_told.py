"""Stored bars in the price in which an event was told, whatever splits have taken effect since."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.market.splits import Adjustment, adjust, in_force
from scanner.store import SeriesKey

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings
    from scanner.market.bars import Bars
    from scanner.store import Store


def as_told(store: Store, settings: Settings, key: SeriesKey, stored: Bars, at: int) -> Bars:
    """Give stored bars of a series in the price of an event at the close ``at`` (nanoseconds since 1970 UTC).

    Those of the feed's timeframe are stored as they were sent, coarser ones adjusted for the splits in force now. Those
    of an instrument that is not on the list are given as they are.
    """
    if key.instrument not in settings.instruments:
        return stored
    watched = settings.of(key.instrument)
    if key.timeframe == watched.base.name:
        return adjust(stored, in_force(watched.adjustments, at - 1))  # a bar that closed then opened before
    reached = store.bars.last_close(SeriesKey(key.instrument, watched.base.name)) or 0
    since = [each for each in watched.adjustments if at <= each.time < reached]
    return adjust(stored, [Adjustment(each.time, 1 / each.ratio) for each in since])
