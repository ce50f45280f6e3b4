"""Whether a feed is late, and the events about it: one when it becomes late, one when it is back."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from scanner.events import Event, event_id, rfc3339

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.event_data import FeedData
    from scanner.service.desk import Desk

SERIES_NAMED = 20
"""Series that an event names; it only counts the others."""

REMEMBERED = 1_000
"""Closes for which the number of times that a feed became late is remembered; a bad line must not fill the memory."""


@dataclass(slots=True)
class Lateness:
    """One spell of lateness: its name, the close that each instrument lacks, and how many bars came since."""

    story: list[str]
    """What the ids of its events are derived from."""
    reason: str
    instruments: dict[str, int] = field(default_factory=dict)
    caught_up: int = 0


class LateWatch:
    """Keeps track of what a feed is late with, from the first missing bar until none is missing.

    During this time each instrument is named once, so that one that seldom trades does not hide that all others have
    fallen silent.
    """

    def __init__(self, feed: str, desk: Desk) -> None:
        self.feed = feed
        self.now: Lateness | None = None
        self._desk = desk
        self._begun: Counter[int] = Counter()
        """How often a feed became late with a close: after a jump of the clock the same close may come again."""

    @property
    def instruments(self) -> Mapping[str, int]:
        """What is reported late, with the close that is missing."""
        return self.now.instruments if self.now is not None else {}

    def count(self, bars: int) -> None:
        """Count bars that came of late instruments."""
        if self.now is not None:
            self.now.caught_up += bars

    def late(self, lacking: Mapping[str, int], trouble: str) -> list[Event]:
        """Take note of bars whose patience has ended; returns the event for those not named yet."""
        new = {name: close for name, close in lacking.items() if name not in self.instruments}
        if not new:
            return []
        reason = trouble or "closed bars are missing"
        about = sorted(new) if self.now is not None else []
        if self.now is None:
            since = min(new.values())
            again = [str(self._begun[since])] if since in self._begun else []
            self._begun[since] += 1
            if len(self._begun) > REMEMBERED:
                del self._begun[min(self._begun)]
            self.now = Lateness([self.feed, str(since), *again], reason)
        self.now.instruments |= new
        return [self._event("feed.late", self.now, new, reason, about)]

    def correct(self, closes: Mapping[str, int]) -> None:
        """Take note of the last closes by the clock: a later one counted as missed only because the clock was ahead."""
        if self.now is not None:
            for name, close in closes.items():
                if self.now.instruments.get(name, close) > close:
                    self.now.instruments[name] = close

    def back(self, reason: str = "the missing bars have come") -> list[Event]:
        """Give the event for when nothing is missing any more."""
        late = self.now
        if late is None or any(self._desk.lacks(name, close) for name, close in late.instruments.items()):
            return []
        self.now = None
        return [self._event("feed.back", late, late.instruments, reason, [])]

    def _event(
        self,
        kind: Literal["feed.late", "feed.back"],
        late: Lateness,
        instruments: Mapping[str, int],
        reason: str,
        about: list[str],
    ) -> Event:
        names, since = sorted(instruments), min(instruments.values())
        more = [f"and {len(names) - SERIES_NAMED} more"] if len(names) > SERIES_NAMED else []
        data: FeedData = {
            "feed": self.feed,
            "series": names[:SERIES_NAMED] + more,
            "since": rfc3339(since),
            "caught_up": late.caught_up,
            "reason": reason,
        }
        began = event_id("feed.late", *late.story)
        ident = event_id(kind, *late.story, *about)
        return Event(kind, ident, since, self.feed, data, thread=began)
