"""The topic tree of the sink ``mqtt``.

Below ``<prefix>/<station>/``:

| topic | what is published | retained |
|---|---|---|
| ``setups/<instrument>/<timeframe>/<direction>`` | every event about a setup, also one that is forming | no |
| ``series/<instrument>/<timeframe>`` | a series put on hold or resumed | no |
| ``feeds/<feed>`` | a feed that is late or back | no |
| ``station`` | what the station says of itself | no |
| ``decide`` | heard, not said: the user's decisions, where the settings want that | refused |
| ``decided`` | the answer to each | no |
| ``state/station`` | ``{"station": …, "state": "watching" | "stopped" | "gone"}``; ``gone`` is the last will | yes |
| ``state/setups/<instrument>/<timeframe>/<direction>/<thread>`` | the last event of a setup whose story goes on | yes |

``<thread>`` is the id of the event that found the setup. All that follows on it is said under ``setups/``, and then
kept in place of what was kept before; an event that ends the story (closed, lapsed, spoiled, broken off or withdrawn)
clears it by an empty message, as MQTT asks. So a subscriber who comes late and subscribes to ``<prefix>/+/state/#``
sees which stations are watching and where each setup stands, with the orders that are valid now, and to
``<prefix>/+/setups/#`` all that follows. A setup that plans no entry is not followed: it stays until it is withdrawn.
Nothing is kept of setups that are forming or were set aside. Where the routes to this sink leave out kinds that end a
story, what is kept of it is never cleared. Each name is written as ``encode`` writes it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote, unquote

if TYPE_CHECKING:
    from scanner.events import Event

EMPTY = "%"
SAFE = "!'(),:;=@^&"
"""What is left as it is, besides letters, digits and ``_.-~``."""
LONGEST = 65_535
"""Bytes of UTF-8 in a topic name (MQTT 5.0 and 3.1.1, section 1.5.3 and 4.7.3)."""


def encode(name: str) -> str:
    """Write any name as one level of a topic: each byte of UTF-8 that is not plain becomes ``%`` and two hex digits.

    So that ``/``, ``+``, ``#``, a first ``$``, U+0000 and every other control or direction character are gone, and
    any language's URL decoding reads it back. The empty name is a lone ``%``.

    >>> encode("ABC/USD")
    'ABC%2FUSD'
    """
    return quote(name, safe=SAFE, errors="surrogatepass") or EMPTY


def decode(level: str) -> str:
    """Read a level back into the name that ``encode`` was given.

    >>> decode("ABC%2FUSD")
    'ABC/USD'
    """
    return "" if level == EMPTY else unquote(level, errors="surrogatepass")


class Topics:
    """The topics of one station."""

    def __init__(self, prefix: str, station: str) -> None:
        self.root = f"{prefix}/{encode(station)}"
        self.station = f"{self.root}/state/station"
        self.decide = f"{self.root}/decide"
        self.decided = f"{self.root}/decided"

    def of(self, event: Event) -> str:
        """Give the topic under which an event is said."""
        data = event.data
        match event.facts.about:
            case "setup":
                return self._join("setups", data["instrument"], data["timeframe"], data["direction"])
            case "series":
                return self._join("series", data["instrument"], data["timeframe"])
            case "feed":
                return self._join("feeds", data["feed"])
            case "station":
                return self._join("station")

    def state_of(self, event: Event) -> str | None:
        """Give the topic that holds the state of the setup that an event is about; None where none is kept.

        A setup that was set aside has none, nor has an example: whoever comes late looks there for setups to act on.
        """
        data = event.data
        if event.is_example or event.facts.about != "setup" or event.facts.on_request or data.get("set_aside", False):
            return None
        return self._join("state", "setups", data["instrument"], data["timeframe"], data["direction"], event.thread)

    def _join(self, *names: str) -> str:
        return "/".join((self.root, *map(encode, names)))
