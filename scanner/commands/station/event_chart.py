"""The chart that goes with an event, drawn from what the store has."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.commands.messages.notes import version_up_to
from scanner.journal.bars_as_told import as_told
from scanner.market.sessions.timeframes import Timeframe
from scanner.store import SeriesKey

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.store import Store


def event_chart(settings: Settings, store: Store, event: Event) -> bytes | None:
    """Draw, as PNG, a setup that was found, or the story so far of one that was entered.

    None for any other event, and if its instrument is not watched, or its setup or bars have left the store.
    """
    data, follows = event.data, event.facts.follows and event.data.get("entry") is not None
    if not (event.facts.begins or follows) or data["instrument"] not in settings.instruments:
        return None
    told = version_up_to(event, store) if follows else [event]
    if not told:
        return None
    # Drawing is slow, and not every sink needs it.
    from scanner.present.chart.chart import chart_for  # noqa: PLC0415 - as said above
    from scanner.present.story_chart.chart import story_chart_for  # noqa: PLC0415 - as said above

    watched, zone = settings.of(data["instrument"]), settings.station.zone
    key = SeriesKey(data["instrument"], data["timeframe"])
    # A message may be sent long after its bar, when many bars have followed.
    since = ((store.bars.last_close(key) or 0) - told[0].time) // Timeframe.named(key.timeframe).nanoseconds
    for stored in store.bars.load([key], 2 * watched.rulebook.history + max(since, 0)):
        bars = as_told(store, settings, key, stored.bars, told[0].time)
        bars = bars[: int(np.searchsorted(bars.close_time, event.time, side="right"))]
        if not len(bars) or told[0].time < bars.close_time[0]:
            return None
        if follows:
            return story_chart_for(bars, told, watched.rules, zone)
        return chart_for(bars, event, watched.rules, zone)
    return None
