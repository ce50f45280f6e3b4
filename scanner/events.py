"""Events: their kinds, their deterministic ids and their JSON form (CloudEvents 1.0)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote

import orjson

from scanner.clocks import SECOND
from scanner.event_data import (
    Direction,
    FeedData,
    FormingData,
    SeriesData,
    SetupData,
    StationData,
    StoryData,
    WithdrawnData,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

EXAMPLE_SOURCE = "/closewatch/test"
"""The source of an event that only tests a sink; everything in it is invented."""

About = Literal["setup", "series", "feed", "station"]
Urgency = Literal["low", "normal", "critical"]
Kind = Literal[
    "setup.forming",
    "setup.qualified",
    "setup.set_aside",
    "setup.withdrawn",
    "setup.entered",
    "setup.stop_raised",
    "setup.pressure",
    "setup.exit_signal",
    "setup.closed",
    "setup.lapsed",
    "setup.spoiled",
    "setup.broken_off",
    "series.held",
    "series.resumed",
    "feed.late",
    "feed.back",
    "station.caught_up",
    "station.watching",
]
"""What happened; the CloudEvents type is ``closewatch.`` followed by this."""


@dataclass(frozen=True, slots=True)
class KindFacts:
    """The properties of a kind of event: one row of the table ``KINDS``.

    ``about`` is its subject, ``data`` the type of its data, ``counted`` how a digest counts one and several.
    ``urgency`` is that of the Desktop Notifications Specification of freedesktop.org (low 0, normal 1, critical 2): a
    critical one waits for its reader. ``warns`` says that it is bad news. ``begins`` and ``ends`` say whether it begins
    or ends a story. One that ``ages`` is listed in a summary once it is too old to be news; then a setup is not sent,
    but the end of one that was sent is. One that is ``on_request`` is sent only by routes that name its kind. One that
    is ``ahead`` announces a setup one bar ahead: it belongs to no story, and is over with the next bar.
    """

    about: About
    data: type
    counted: tuple[str, str]
    urgency: Urgency
    warns: bool = False
    begins: bool = False
    ends: bool = False
    ages: bool = False
    on_request: bool = False
    ahead: bool = False

    @property
    def of_story(self) -> bool:
        """Whether it is part of the story of a setup."""
        return self.about == "setup" and not self.ahead

    @property
    def follows(self) -> bool:
        """Whether it follows an earlier event of a setup."""
        return self.of_story and not self.begins


KINDS: Mapping[Kind, KindFacts] = {
    "setup.forming": KindFacts("setup", FormingData, ("forming", "forming"), "normal", on_request=True, ahead=True),
    "setup.qualified": KindFacts("setup", SetupData, ("setup", "setups"), "critical", begins=True, ages=True),
    "setup.set_aside": KindFacts(
        "setup", SetupData, ("set aside", "set aside"), "low", begins=True, ages=True, on_request=True
    ),
    "setup.withdrawn": KindFacts("setup", WithdrawnData, ("withdrawn", "withdrawn"), "critical", warns=True, ends=True),
    "setup.entered": KindFacts("setup", StoryData, ("entered", "entered"), "normal"),
    "setup.stop_raised": KindFacts("setup", StoryData, ("stop to move", "stops to move"), "normal"),
    "setup.pressure": KindFacts("setup", StoryData, ("sign of pressure", "signs of pressure"), "low"),
    "setup.exit_signal": KindFacts("setup", StoryData, ("exit signal", "exit signals"), "critical"),
    "setup.closed": KindFacts("setup", StoryData, ("closed", "closed"), "normal", ends=True),
    "setup.lapsed": KindFacts("setup", StoryData, ("lapsed", "lapsed"), "normal", ends=True, ages=True),
    "setup.spoiled": KindFacts("setup", StoryData, ("spoiled", "spoiled"), "normal", ends=True, ages=True),
    "setup.broken_off": KindFacts("setup", StoryData, ("broken off", "broken off"), "critical", warns=True, ends=True),
    "series.held": KindFacts("series", SeriesData, ("put on hold", "put on hold"), "normal", warns=True),
    "series.resumed": KindFacts("series", SeriesData, ("warm again", "warm again"), "low"),
    "feed.late": KindFacts("feed", FeedData, ("feed late", "feeds late"), "critical", warns=True),
    "feed.back": KindFacts("feed", FeedData, ("feed back", "feeds back"), "normal"),
    "station.caught_up": KindFacts("station", StationData, ("catch-up", "catch-ups"), "low"),
    "station.watching": KindFacts("station", StationData, ("summary", "summaries"), "low"),
}
"""Every kind of event, with what code that handles events needs to know of it."""


OF_SETUPS: tuple[Kind, ...] = tuple(kind for kind, facts in KINDS.items() if facts.of_story)
"""The kinds of which stories consist."""


def event_id(*about: str) -> str:
    """Give the id of an event: the same facts give the same id, so that repeats are recognisable."""
    return sha256("\x1f".join(about).encode(errors="surrogatepass")).hexdigest()[:32]


def setup_id(symbol: str, timeframe: str, setup: str, direction: Direction, bar_close: int) -> str:
    """Give the id of a setup that was found at a bar; set aside or not, it is one story."""
    return event_id("setup.qualified", symbol, timeframe, setup, direction, str(bar_close))


_FORBIDDEN = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
"""What no attribute of an event may contain (CloudEvents 1.0, type system, String); it is written as in a URL."""


@lru_cache(4_096)
def rfc3339(nanoseconds: int) -> str:
    """Write a time as RFC 3339 in UTC, with fractions only where there are some."""
    seconds, rest = divmod(nanoseconds, SECOND)
    text = datetime.fromtimestamp(seconds, UTC).isoformat()[: -len("+00:00")]
    return f"{text}.{rest:09d}".rstrip("0") + "Z" if rest else text + "Z"


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to one instrument and timeframe, to a feed, or to the station itself.

    ``time`` is the bar close it is about (nanoseconds since 1970 UTC), never the moment of writing, so that a replay
    gives the same event. ``subject`` is ``instrument/timeframe``, or the name of a feed or station. ``thread`` is the
    id of the event that began its story: its own id for a found setup, the setup's for later events of its story, empty
    for events without a story.
    """

    kind: Kind
    id: str
    time: int
    subject: str
    data: Any  # one of the typed dictionaries above, by kind
    source: str = "/closewatch"
    thread: str = ""

    @property
    def is_example(self) -> bool:
        """Whether it only tests a sink."""
        return self.source == EXAMPLE_SOURCE

    @property
    def facts(self) -> KindFacts:
        """The properties of its kind."""
        return KINDS[self.kind]

    def to_dict(self) -> dict[str, Any]:
        """Give the event as a CloudEvents 1.0 object."""
        attributes: dict[str, Any] = {
            "specversion": "1.0",
            "id": self.id,
            "source": self.source,
            "type": f"closewatch.{self.kind}",
            "subject": _FORBIDDEN.sub(lambda found: quote(found[0], errors="surrogatepass"), self.subject),
            "time": rfc3339(self.time),
            "datacontenttype": "application/json",
        }
        if self.thread:
            attributes["thread"] = self.thread
        return attributes | {"data": self.data}

    def to_json(self) -> str:
        """Give the event as one line of JSON."""
        return orjson.dumps(self.to_dict()).decode()

    def to_line(self) -> bytes:
        """Give the event as one line of JSON in UTF-8, including its end."""
        return orjson.dumps(self.to_dict(), option=orjson.OPT_APPEND_NEWLINE)
