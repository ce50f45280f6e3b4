"""What can be said: the kinds of event, their deterministic ids and their JSON form (CloudEvents 1.0)."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any, Literal, TypedDict

Direction = Literal["long", "short"]
EntryStyle = Literal["early", "break", "average"]
Place = Literal["line", "average", "level", "turn"]
Kind = Literal[
    "setup.qualified",
    "setup.withdrawn",
    "series.held",
    "series.resumed",
    "feed.late",
    "feed.back",
    "station.caught_up",
    "station.watching",
]
"""What happened; the CloudEvents type is this behind ``closewatch.``."""


class Measure(TypedDict):
    """One rule, place or point of evidence: its measured value, its threshold and its verdict.

    ``measured`` is null where there was nothing to measure; ``threshold`` says what the measured value is held
    against, in the same unit; ``verdict`` is whether it holds; ``text`` says it in words.
    """

    measured: float | None
    threshold: str
    verdict: bool
    text: str


class PlaceFound(Measure):
    """A place looked at; ``price`` is where it lies, null where none was found."""

    price: str | None


class Entry(TypedDict):
    """One of the three ways in: price, risk and objectives as decimal strings at the instrument's step."""

    price: str | None
    risk: str | None
    objectives: list[str]
    room: str | None
    size: str | None
    size_reason: str
    reason: str


# Written this way because "break" cannot be the name of a class attribute.
Levels = TypedDict(
    "Levels",
    {
        "early": str | None,
        "break": str | None,
        "average": str | None,
        "stop": str,
        "objectives": list[str],
        "obstacle": str | None,
    },
)
"""The levels of a setup, decimal strings at the instrument's step; null where a level does not apply.

``objectives`` are those of the chosen entry style: 1R, 2R and 3R. ``obstacle`` is the nearest one.
"""


class ExitPlan(TypedDict):
    """How to leave: ``style`` is ride (close beyond the slow average) or quick, ``reason`` says why."""

    style: Literal["ride", "quick"]
    reason: str


class SetupData(TypedDict):
    """A qualified setup, whole: where and when, why, and the levels.

    ``place`` is the safest of the places that hold. ``bar_open`` and ``bar_close`` are those of the bar at whose
    close the setup stood. ``size`` is that of the chosen entry style, null where none can be given; ``size_reason``
    says how it came about or why there is none. ``step`` and ``currency`` are the instrument's.
    """

    instrument: str
    timeframe: str
    setup: str
    direction: Direction
    bar_open: str
    bar_close: str
    close: str
    step: str
    currency: str
    place: Place
    rules: dict[str, Measure]
    places: dict[str, PlaceFound]
    evidence: dict[str, Measure]
    evidence_points: int
    evidence_total: int
    levels: Levels
    level_reasons: dict[str, str]
    entry_style: EntryStyle
    entries: dict[str, Entry]
    exit_plan: ExitPlan
    size: str | None
    size_reason: str


class WithdrawnData(TypedDict):
    """A setup said earlier that no longer stands because the feed restated a bar; ``withdraws`` is its event's id."""

    instrument: str
    timeframe: str
    setup: str
    direction: Direction
    bar_open: str
    bar_close: str
    withdraws: str
    reason: str


class SeriesData(TypedDict):
    """A series put on hold (``series.held``) or warm again (``series.resumed``); ``ready_after`` counts bars."""

    instrument: str
    timeframe: str
    bar_open: str
    bar_close: str
    reason: str
    ready_after: int


class FeedData(TypedDict):
    """A feed that is late or back: which series, since which bar close, and how many bars were caught up."""

    feed: str
    series: list[str]
    since: str
    caught_up: int
    reason: str


class StationData(TypedDict):
    """What a station says of itself: after catching up, and once a day while it is still watching."""

    station: str
    reason: str
    series: int
    bars: int
    setups: list[str]
    troubles: list[str]


def event_id(*about: str) -> str:
    """Give the id of what is said: the same facts give the same id, so that saying it twice is recognisable."""
    return sha256("\x1f".join(about).encode()).hexdigest()[:32]


def rfc3339(nanoseconds: int) -> str:
    """Write a time as RFC 3339 in UTC, with fractions only where there are some."""
    seconds, rest = divmod(nanoseconds, 1_000_000_000)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{rest:09d}".rstrip("0") + "Z" if rest else text + "Z"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing said, about one instrument and timeframe or about the station itself.

    ``time`` is the bar close it is about (nanoseconds since 1970 UTC), never the moment of writing, so that a
    replay says it in the same words. ``subject`` is ``instrument/timeframe``, or the name of a feed or station.
    ``thread`` is the id of the event that began the story this one belongs to: its own id for a found setup, the
    setup's for all that is said of it later, empty for events that stand alone.
    """

    kind: Kind
    id: str
    time: int
    subject: str
    data: Any  # one of the typed dictionaries above, by kind
    source: str = "/closewatch"
    thread: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Give the event as a CloudEvents 1.0 object."""
        attributes: dict[str, Any] = {
            "specversion": "1.0",
            "id": self.id,
            "source": self.source,
            "type": f"closewatch.{self.kind}",
            "subject": self.subject,
            "time": rfc3339(self.time),
            "datacontenttype": "application/json",
        }
        if self.thread:
            attributes["thread"] = self.thread
        return attributes | {"data": self.data}

    def to_json(self) -> str:
        """Give the event as one line of JSON."""
        return json.dumps(self.to_dict(), ensure_ascii=False, separators=(",", ":"))
