"""Whom an event is sent to, and when it comes too late to be sent."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from scanner.delivery.late import is_over
from scanner.events import KINDS
from scanner.market.sessions.timeframes import Timeframe
from scanner.store import Said

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from scanner.configuration.model.settings import Watched
    from scanner.events import Event
    from scanner.store import SeriesKey, Store

NEWS = tuple(kind for kind, facts in KINDS.items() if facts.ages and not facts.on_request)
"""Kinds that whoever missed them is told of in a summary."""
PAGE = 200
"""Events that are looked through at a time."""


class Addressing:
    """Finds the sinks of events: ``route`` gives those that one is for, ``watched`` the list as it is now.

    What comes more than ``stale_after`` bars after its own is too old to be news.
    """

    def __init__(
        self,
        store: Store,
        route: Callable[[Event], Sequence[str]],
        stale_after: int,
        watched: Callable[[], Mapping[str, Watched]],
    ) -> None:
        self._store = store
        self._route = route
        self._stale_after = stale_after
        self._watched = watched

    def addressed(self, said: Sequence[tuple[Event, SeriesKey]], now: int) -> list[Said]:
        """Find the sinks of what is said together at ``now``, each with its series."""
        told: dict[str, set[str]] = {}  # by story: the sinks that hear of it in this call
        addressed = []
        for event, key in said:
            sinks = self._sinks(event, now, told.get(event.thread, set()))
            told.setdefault(event.thread, set()).update(sinks)
            addressed.append(Said(event, sinks, key))
        return addressed

    def _sinks(self, event: Event, now: int, told: Collection[str]) -> Sequence[str]:
        """Give the sinks that an event is sent to: those that it is for, unless it comes too late.

        A setup that is too old to be sent is news only where one was sent that it takes the place of. What follows a
        setup is none where no setup was sent at all. ``told`` are sinks that hear of the setup in this call.
        """
        if self.is_stale(event, now):
            return ()
        sinks = self._route(event)
        if event.facts.follows:
            known = told or self._told_of(event.thread)
            return sinks if known and self._is_wanted(event) else ()
        if event.facts.begins and self._too_old(event, now):
            known = {*told, *self._told_of(event.thread)}
            return [sink for sink in sinks if sink in known]
        return sinks

    def _is_wanted(self, event: Event) -> bool:
        """Whether the user wants to hear how a setup goes on: where they only follow what they took, of that alone."""
        watched = self._watched().get(event.data["instrument"])
        if event.kind == "setup.withdrawn" or watched is None or watched.rulebook.follow.which == "all":
            return True
        return self._store.decisions.is_taken(event.thread)

    def _told_of(self, thread: str) -> set[str]:
        return self._store.outbox.sinks_of(thread)

    def too_late(self, said: Sequence[Said], now: int) -> tuple[set[str], set[str]]:
        """Give the ids of those said together at ``now`` that are stale, and of those that are missed, as below."""
        told = {each.event.thread for each in said if each.sinks}
        stale = {each.event.id for each in said if self.is_stale(each.event, now, told)}
        return stale, {each.event.id for each in said if self.is_missed(each.event, now, told)}

    def is_stale(self, event: Event, now: int, told: Collection[str] = ()) -> bool:
        """Whether an event is kept and not sent, since it comes too long after its bar; ``told`` are threads of news.

        That is a setup that was not said before, and all that follows a setup of which nobody heard. Whoever did hear
        of one is told how it went on, however late: they may have an order in the market. What told of the next bar is
        kept and not sent once that has closed.
        """
        if event.facts.ahead:
            return is_over(event, now)
        if event.facts.about != "setup" or not self._too_old(event, now):
            return False
        if event.facts.begins:
            return event.id == event.thread
        return event.thread not in told and not self._told_of(event.thread)

    def is_missed(self, event: Event, now: int, told: Collection[str] = ()) -> bool:
        """Whether a summary tells of an event: where it is too old, and the end of a setup only if that was sent."""
        facts = event.facts
        if not facts.ages or facts.on_request or not self._too_old(event, now):
            return False
        if facts.begins:
            return event.id == event.thread
        return (event.thread in told or bool(self._told_of(event.thread))) and self._is_wanted(event)

    def _too_old(self, event: Event, now: int) -> bool:
        return now - event.time > self._stale_after * Timeframe.named(event.data["timeframe"]).nanoseconds

    def unlisted(self, named: int) -> tuple[int, list[Event]]:
        """Count what was found too late and after which no summary was given; give the last ``named``."""
        events, count = self._store.events, 0
        last: deque[Event] = deque(maxlen=named)
        after = max((each.number for each in events.find(kinds=["station.caught_up"])), default=0)
        while page := events.find(after=after, kinds=NEWS, limit=PAGE):
            for each in page:
                event = each.event
                if event.data["instrument"] in self._watched() and self.is_missed(event, each.said):
                    count += 1
                    last.append(event)
            after = page[-1].number
        return count, list(last)
