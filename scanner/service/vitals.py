"""How a running station is: what its health answer and its metrics tell, judged by the bars it has."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, get_args

from scanner.clocks import SECOND
from scanner.events import Kind, rfc3339
from scanner.service.lags import Lags
from scanner.service.store import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.service.station import Station
    from scanner.service.store.outbox import State


@dataclass(frozen=True, slots=True)
class FeedVitals:
    """A feed: how far it lags behind the closes that are due and how many series do, in seconds, and its patience."""

    lag: float
    behind: int
    patience: float

    @property
    def late(self) -> bool:
        """Whether its patience has ended."""
        return self.lag > self.patience


@dataclass(frozen=True, slots=True)
class Vitals:
    """A station at a moment. ``last_bar`` is the last close there is (nanoseconds since 1970 UTC), None without any.

    ``outbox`` counts deliveries by sink and state; ``sinks`` says in a sentence what is wrong with those that fail;
    ``trouble`` says why the store cannot be asked.
    """

    station: str
    watching: bool
    now: int
    bars: int
    events: Mapping[str, int]
    feeds: Mapping[str, FeedVitals]
    outbox: Mapping[tuple[str, State], int]
    last_bar: int | None = None
    sinks: Mapping[str, str] = field(default_factory=dict)
    trouble: str = ""

    def reasons(self) -> list[str]:
        """Say why not all is well; nothing where the station watches, no feed is late and no sink fails."""
        return [
            *([] if self.watching else ["the station is not watching: it is catching up or stopping"]),
            *(
                f"the feed {name} is {each.lag:.0f} s behind with {each.behind} series and has a patience of "
                f"{each.patience:g} s"
                for name, each in self.feeds.items()
                if each.late
            ),
            *(f"the sink {name} fails: {sentence}" for name, sentence in self.sinks.items()),
            *([self.trouble] if self.trouble else []),
        ]

    def told(self) -> dict[str, object]:
        """Give what the health answer holds, ready to be written as JSON.

        ``sinks`` are those that fail; ``refused`` counts what each sink refused for good, which somebody has to see to
        and is no reason for not being well.
        """
        return {
            "station": self.station,
            "well": not self.reasons(),
            "reasons": self.reasons(),
            "watching": self.watching,
            "time": rfc3339(self.now),
            "last_bar": None if self.last_bar is None else rfc3339(self.last_bar),
            "feeds": {
                name: {"lag": round(each.lag, 3), "behind": each.behind, "patience": each.patience, "late": each.late}
                for name, each in self.feeds.items()
            },
            "sinks": dict(self.sinks),
            "refused": {sink: count for (sink, state), count in self.outbox.items() if state == "dead" and count},
        }


async def look(station: Station) -> Vitals:
    """See how a station is."""
    now, trouble = station.clock.now(), ""
    outbox: Mapping[tuple[str, State], int] = {}
    try:
        outbox = await asyncio.to_thread(station.store.outbox.counts)
    except StoreTroubleError as problem:
        trouble = str(problem)
    lasts = [close for each in station.watched if (close := station.last_close(each.instrument.symbol)) is not None]
    return Vitals(
        station=station.settings.station.name,
        watching=station.watching.is_set(),
        now=now,
        bars=station.keeping.counts["bars"],
        events={kind: station.keeping.counts[kind] for kind in get_args(Kind)},
        feeds=_feeds(station, now),
        outbox=outbox,
        last_bar=max(lasts, default=None),
        sinks={} if station.delivery is None else station.delivery.troubles(),
        trouble=trouble,
    )


def _feeds(station: Station, now: int) -> dict[str, FeedVitals]:
    lags: dict[str, list[int]] = {name: [] for name in station.feeds}
    for group in station.groups:
        at_now = Lags(group.timetable, now)
        for name in group.instruments:
            last = station.last_close(name)
            # Of what never came, nothing was due before the station began.
            lags.setdefault(group.feed, []).append(at_now.behind(station.begun if last is None else last).time)
    return {
        name: FeedVitals(max(each, default=0) / SECOND, sum(one > 0 for one in each), station.manners(name).patience)
        for name, each in lags.items()
    }
