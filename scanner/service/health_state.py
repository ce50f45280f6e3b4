"""The health of a running station, for its health answer and its metrics, judged by the bars it has."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, get_args

from scanner.clocks import SECOND
from scanner.events import Kind, rfc3339
from scanner.service.intake.lags import Lags
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.service.intake.intake import Intake
    from scanner.service.station import Station
    from scanner.store.outbox import State


ANSWER_WITHIN = 2.0
"""Seconds that the store may take to count what waits in its outbox."""

_ASKING = ThreadPoolExecutor(1, "health")
"""Queries stores one at a time: if one does not answer, only this thread waits for it."""


@dataclass(frozen=True, slots=True)
class FeedHealth:
    """A feed: how many seconds it lags behind the closes that are due, with how many series, and its patience.

    ``fetching`` counts the series of which more is coming, such as a long history; they do not count as behind.
    ``said`` tells whether it was reported late and not yet back, ``trouble`` what is wrong, if known.
    """

    lag: float
    behind: int
    patience: float
    fetching: int = 0
    said: bool = False
    trouble: str = ""

    @property
    def late(self) -> bool:
        """Whether its patience has ended."""
        return self.said or self.lag > self.patience

    def reason(self) -> str:
        """Say why it counts as late."""
        if not self.behind:
            return "was late and is catching up on what was missing"
        return (
            f"is {self.lag:,.0f} s behind with {self.behind:,} series and has a patience of {self.patience:g} s"
            f"{self.trouble and f': {self.trouble}'}"
        )


STUCK = "taking in a batch is taking far too long; see whether the disk of the store is failing"


@dataclass(frozen=True, slots=True)
class StationHealth:
    """A station at a moment. ``last_bar`` is the last close there is (nanoseconds since 1970 UTC), None without any.

    ``outbox`` counts deliveries by sink and state; ``sinks`` says in a sentence what is wrong with those that fail;
    ``stuck`` tells whether taking in a batch takes far too long, and ``trouble`` why the store does not answer.
    """

    station: str
    watching: bool
    now: int
    bars: int
    events: Mapping[str, int]
    feeds: Mapping[str, FeedHealth]
    outbox: Mapping[tuple[str, State], int]
    last_bar: int | None = None
    sinks: Mapping[str, str] = field(default_factory=dict)
    stuck: bool = False
    trouble: str = ""

    def reasons(self) -> list[str]:
        """Say why the station is not well; nothing if it watches, no feed is late and no sink fails."""
        return [
            *([] if self.watching else ["the station is not watching: it is catching up or stopping"]),
            *(f"the feed {name} {each.reason()}" for name, each in self.feeds.items() if each.late),
            *(f"the sink {name} fails: {sentence}" for name, sentence in self.sinks.items()),
            *([STUCK] if self.stuck else []),
            *([self.trouble] if self.trouble else []),
        ]

    def notes(self) -> list[str]:
        """Say what is no trouble, but explains why some series are not watched yet."""
        return [
            f"history of {each.fetching:,} series is being fetched from the feed {name}; nobody is looking at them yet"
            for name, each in self.feeds.items()
            if each.fetching
        ]

    def told(self) -> dict[str, object]:
        """Give what the health answer holds, ready to be written as JSON.

        ``sinks`` are those that fail; ``refused`` counts what each sink refused for good, which needs attention but
        does not make the station unwell.
        """
        return {
            "station": self.station,
            "well": not self.reasons(),
            "reasons": self.reasons(),
            "notes": self.notes(),
            "watching": self.watching,
            "time": rfc3339(self.now),
            "last_bar": None if self.last_bar is None else rfc3339(self.last_bar),
            "feeds": {
                name: {
                    "lag": round(each.lag, 3),
                    "behind": each.behind,
                    "fetching": each.fetching,
                    "patience": each.patience,
                    "late": each.late,
                }
                for name, each in self.feeds.items()
            },
            "sinks": dict(self.sinks),
            "refused": {sink: count for (sink, state), count in self.outbox.items() if state == "dead" and count},
        }


async def look(station: Station, *, answer_within: float = ANSWER_WITHIN) -> StationHealth:
    """Look at the health of a station; takes little longer than ``answer_within`` seconds, whatever the store does."""
    now, trouble = station.clock.now(), ""
    outbox: Mapping[tuple[str, State], int] = {}
    try:
        async with asyncio.timeout(answer_within):
            outbox = await asyncio.get_running_loop().run_in_executor(_ASKING, station.store.outbox.counts)
    except StoreTroubleError as problem:
        trouble = str(problem)
    except TimeoutError:
        trouble = f"the store has not answered within {answer_within:g} s"
    lasts = [close for each in station.watched if (close := _last_close(station, each.instrument.symbol)) is not None]
    return StationHealth(
        station=station.settings.station.name,
        watching=station.watching.is_set(),
        now=now,
        bars=station.committer.counts["bars"],
        events={kind: station.committer.counts[kind] for kind in get_args(Kind)},
        feeds=_feeds(station, now),
        outbox=outbox,
        last_bar=max(lasts, default=None),
        sinks={} if station.delivery is None else station.delivery.troubles(),
        stuck=station.committer.turns.stuck,
        trouble=trouble,
    )


def _last_close(station: Station, name: str) -> int | None:
    """When an instrument's last bar closed; None if it has none, or is not loaded yet."""
    return station.desk.last_close(name) if name in station.desk.last else None


def _feeds(station: Station, now: int) -> dict[str, FeedHealth]:
    lags: dict[str, dict[str, int]] = {name: {} for name in station.feeds}
    for group in station.groups:
        at_now = Lags(group.timetable, now)
        for name in group.instruments:
            last = _last_close(station, name)
            # For a series that never came, nothing was due before the station began.
            lags.setdefault(group.feed, {})[name] = at_now.behind(station.begun if last is None else last).time
    return {
        name: _feed(station, station.intakes.get(name), station.feeds[name].limits.patience, each, now)
        for name, each in lags.items()
    }


def _feed(station: Station, intake: Intake | None, patience: float, lags: dict[str, int], now: int) -> FeedHealth:
    """Judge a feed by its bars, consistently with what its intake reports."""
    late = None if intake is None else intake.late
    # As in the events about the feed, a trouble means that nothing is coming.
    coming = frozenset[str]() if intake is None or intake.trouble else intake.going_on
    for name, close in late.instruments.items() if late is not None else ():
        # For a series that never came, something was due all the same once it was missed.
        if name in lags and _last_close(station, name) is None:
            lags[name] = max(lags[name], now - close)
    judged = [lag for name, lag in lags.items() if name not in coming]
    return FeedHealth(
        max(judged, default=0) / SECOND,
        sum(lag > 0 for lag in judged),
        patience,
        fetching=len(coming & lags.keys()),
        said=late is not None,
        trouble="" if intake is None else intake.trouble or (late.reason if late is not None else ""),
    )
