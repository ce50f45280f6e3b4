"""The topic tree of the sink ``mqtt``.

Below ``<prefix>/<station>/``:

| topic | what is published | retained |
|---|---|---|
| ``setups/<instrument>/<timeframe>/<direction>`` | every event about a setup, also one that is forming | no |
| ``series/<instrument>/<timeframe>`` | a series put on hold or resumed | no |
| ``feeds/<feed>`` | a feed that is late or back | no |
| ``station`` | events about the station itself | no |
| ``decide`` | received, not published: the user's decisions, if configured | refused |
| ``decided`` | the answer to each | no |
| ``state/station`` | ``{"station": …, "state": "watching" | "stopped" | "gone"}``; ``gone`` is the last will | yes |
| ``state/setups/<instrument>/<timeframe>/<direction>/<thread>`` | the last event of a setup whose story is open | yes |

``<thread>`` is the id of the event that found the setup. Later events of its story are published under ``setups/``, and
then replace the retained one; an event that ends the story (closed, lapsed, spoiled, broken off or withdrawn) clears it
with an empty message, as MQTT requires. So a late subscriber to ``<prefix>/+/state/#`` sees which stations are watching
and the state of each setup, with the orders that are valid now, and a subscriber to ``<prefix>/+/setups/#`` sees all
that follows. A setup that plans no entry is not followed: it stays until it is withdrawn. Nothing is retained of setups
that are forming or were set aside. If the routes to this sink leave out kinds that end a story, its retained event is
never cleared. Each name is written as ``encode`` writes it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

if TYPE_CHECKING:
    from scanner.events import Event

EMPTY = "%"
SAFE = "!'(),:;=@^&"
"""Characters left unchanged, in addition to letters, digits and ``_.-~``."""
LONGEST = 65_535
"""Bytes of UTF-8 in a topic name (MQTT 5.0 and 3.1.1, section 1.5.3 and 4.7.3)."""


def encode(name: str) -> str:
    """Write any name as one level of a topic: each byte of UTF-8 that is not plain becomes ``%`` and two hex digits.

    This removes ``/``, ``+``, ``#``, a first ``$``, U+0000 and every other control or direction character, and any
    language's URL decoding reads it back. The empty name is a lone ``%``.

    >>> encode("ABC/USD")
    'ABC%2FUSD'
    """
    return quote(name, safe=SAFE, errors="surrogatepass") or EMPTY


class Topics:
    """The topics of one station."""

    def __init__(self, prefix: str, station: str) -> None:
        self.root = f"{prefix}/{encode(station)}"
        self.station = f"{self.root}/state/station"
        self.decide = f"{self.root}/decide"
        self.decided = f"{self.root}/decided"

    def of(self, event: Event) -> str:
        """Give the topic under which an event is published."""
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
        """Give the topic that holds the state of an event's setup; None if none is kept.

        A setup that was set aside has none, nor has an example: late subscribers look there for setups to act on.
        """
        data = event.data
        if event.is_example or event.facts.about != "setup" or event.facts.on_request or data.get("set_aside", False):
            return None
        return self._join("state", "setups", data["instrument"], data["timeframe"], data["direction"], event.thread)

    def _join(self, *names: str) -> str:
        return "/".join((self.root, *map(encode, names)))
