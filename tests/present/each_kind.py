"""Invented events, one of each kind, whose names and reasons may be anything."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.events import Event, event_id, rfc3339
from tests.adapters.samples import (
    BAR_CLOSE,
    QUARTER_HOUR,
    forming_event,
    found_in_short,
    set_aside_event,
    setup_event,
    station_event,
    withdrawn_event,
)
from tests.adapters.story_samples import FOLLOWING, story_event

if TYPE_CHECKING:
    from scanner.event_data import FeedData, SeriesData, StationData
    from scanner.events import Kind


def one_of_each(name: str = "HARBOUR", reason: str = "it is told here why") -> dict[Kind, Event]:
    """Make an event of each kind about an instrument, feed or station of that name."""
    setup = setup_event(name)
    withdrawn = withdrawn_event(setup)
    withdrawn.data["reason"] = reason
    follows = {kind: story_event(kind, setup) for kind in FOLLOWING}
    for each in follows.values():
        each.data["reason"] = reason
    series: SeriesData = {
        "instrument": name,
        "timeframe": "15m",
        "bar_open": rfc3339(BAR_CLOSE - QUARTER_HOUR),
        "bar_close": rfc3339(BAR_CLOSE),
        "reason": reason,
        "ready_after": 250,
    }
    feed: FeedData = {
        "feed": name,
        "series": [f"{name}/15m", "GANNET/1h"],
        "since": rfc3339(BAR_CLOSE),
        "caught_up": 37,
        "reason": reason,
    }
    station: StationData = {
        "station": name,
        "reason": reason,
        "series": 12,
        "bars": 1_250,
        "setups_found": 2,
        "setups": [f"{name}/15m long {rfc3339(BAR_CLOSE)}", f"GANNET/15m long {rfc3339(BAR_CLOSE + QUARTER_HOUR)}"],
        "found": [found_in_short(name), found_in_short("GANNET", BAR_CLOSE + QUARTER_HOUR)],
        "troubles": [],
    }

    def event(kind: Kind, data: SeriesData | FeedData | StationData) -> Event:
        return Event(kind, event_id(kind, name, str(BAR_CLOSE)), BAR_CLOSE, name, data)

    forming = forming_event(setup)
    forming.data["must"][0]["text"] = f"a close above 100.65 ({reason})"
    return {
        "setup.forming": forming,
        "setup.qualified": setup,
        "setup.set_aside": set_aside_event(name, reason),
        "setup.withdrawn": withdrawn,
        **follows,
        "series.held": event("series.held", series),
        "series.resumed": event("series.resumed", {**series, "ready_after": 0}),
        "feed.late": event("feed.late", {**feed, "caught_up": 0}),
        "feed.back": event("feed.back", feed),
        "station.caught_up": event("station.caught_up", station),
        "station.watching": station_event(name),
    }
