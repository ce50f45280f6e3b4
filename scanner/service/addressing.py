"""Whom an event is sent to, and when it comes too late to be sent."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from scanner.delivery.late import is_over
from scanner.events import KINDS
from scanner.market.sessions.timeframes import Timeframe
from scanner.store import Said

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from scanner.configuration.model.settings import Watched
    from scanner.events import Event
    from scanner.store import SeriesKey, Store

NEWS = tuple(kind for kind, facts in KINDS.items() if facts.ages and not facts.on_request)
"""Kinds that whoever missed them is told of in a summary."""
NOBODY: frozenset[str] = frozenset()
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
        sent = self._sent(event for event, _ in said)
        told: dict[str, set[str]] = {}  # by story: the sinks that hear of it in this call
        addressed = []
        for event, key in said:
            known = told.setdefault(event.thread, set())
            sinks = self._sinks(event, now, known, sent.get(event.thread, NOBODY))
            known.update(sinks)
            addressed.append(Said(event, sinks, key))
        return addressed

    def _sent(self, events: Iterable[Event]) -> Mapping[str, Collection[str]]:
        """Give by story the sinks that heard of it before."""
        threads = {event.thread for event in events if event.thread}
        return self._store.outbox.sinks_of(threads) if threads else {}  # a disk that fails is not asked in vain

    def _sinks(self, event: Event, now: int, told: Collection[str], sent: Collection[str]) -> Sequence[str]:
        """Give the sinks that an event is sent to: those that it is for, unless it comes too late.

        A setup that is too old to be sent is news only where one was sent that it takes the place of. What follows a
        setup is none where no setup was sent at all. ``told`` are sinks that hear of the setup in this call, ``sent``
        those that heard of it before.
        """
        if self._is_stale(event, now, heard=bool(sent)):
            return ()
        sinks = self._route(event)
        if event.facts.follows:
            return sinks if (told or sent) and self._is_wanted(event) else ()
        if event.facts.begins and self._too_old(event, now):
            return [sink for sink in sinks if sink in told or sink in sent]
        return sinks

    def _is_wanted(self, event: Event) -> bool:
        """Whether the user wants to hear how a setup goes on: where they only follow what they took, of that alone."""
        watched = self._watched().get(event.data["instrument"])
        if event.kind == "setup.withdrawn" or watched is None or watched.rulebook.follow.which == "all":
            return True
        return self._store.decisions.is_taken(event.thread)

    def too_late(self, said: Sequence[Said], now: int) -> tuple[set[str], set[str]]:
        """Give the ids of those said together at ``now`` that are stale, and of those that are missed, as below."""
        heard = {each.event.thread for each in said if each.sinks} | self._sent(each.event for each in said).keys()
        stale = {each.event.id for each in said if self._is_stale(each.event, now, heard=each.event.thread in heard)}
        missed = {each.event.id for each in said if self._is_missed(each.event, now, heard=each.event.thread in heard)}
        return stale, missed

    def _is_stale(self, event: Event, now: int, *, heard: bool) -> bool:
        """Whether an event is kept and not sent, since it comes too long after its bar.

        That is a setup that was not said before, and all that follows a setup of which nobody ``heard``. Whoever did
        hear of one is told how it went on, however late: they may have an order in the market. What told of the next
        bar is kept and not sent once that has closed.
        """
        if event.facts.ahead:
            return is_over(event, now)
        if event.facts.about != "setup" or not self._too_old(event, now):
            return False
        return event.id == event.thread if event.facts.begins else not heard

    def _is_missed(self, event: Event, now: int, *, heard: bool) -> bool:
        """Whether a summary tells of an event: where it is too old, and the end of a setup only if that was sent."""
        facts = event.facts
        if not facts.ages or facts.on_request or not self._too_old(event, now):
            return False
        return event.id == event.thread if facts.begins else heard and self._is_wanted(event)

    def _too_old(self, event: Event, now: int) -> bool:
        return now - event.time > self._stale_after * Timeframe.named(event.data["timeframe"]).nanoseconds

    def unlisted(self, named: int) -> tuple[int, list[Event]]:
        """Count what was found too late and after which no summary was given; give the last ``named``."""
        events, count = self._store.events, 0
        last: deque[Event] = deque(maxlen=named)
        after = max((each.number for each in events.find(kinds=["station.caught_up"])), default=0)
        while page := events.find(after=after, kinds=NEWS, limit=PAGE):
            heard = self._sent(each.event for each in page)
            for each in page:
                event, known = each.event, each.event.thread in heard
                if event.data["instrument"] in self._watched() and self._is_missed(event, each.said, heard=known):
                    count += 1
                    last.append(event)
            after = page[-1].number
        return count, list(last)
