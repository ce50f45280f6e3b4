"""Which sinks an event goes to, and when it is too late to send it."""

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
"""Kinds of event that a summary lists when they were missed."""
NOBODY: frozenset[str] = frozenset()
PAGE = 200
"""Events read at a time."""


class Addressing:
    """Finds the sinks of events: ``route`` gives those of one event, ``watched`` gives the current list.

    An event that comes more than ``stale_after`` bars after its own bar is too old to be news.
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

    def addressed(self, said: Sequence[tuple[Event, SeriesKey]], now: int) -> tuple[list[Said], set[str], set[str]]:
        """Find the sinks of the events published together at ``now``, each with its series.

        Also gives the ids of those that are stale, and of those that are missed.
        """
        sent = self._sent(event for event, _ in said)
        told: dict[str, set[str]] = {}  # by story: the sinks that this call sends it to
        addressed, stale, missed = list[Said](), set[str](), set[str]()
        for event, key in said:
            known = told.setdefault(event.thread, set())
            sinks = self._sinks(event, now, known, sent.get(event.thread, NOBODY))
            known.update(sinks)
            addressed.append(Said(event, sinks, key))
        for event, _ in said:
            heard = bool(told[event.thread]) or event.thread in sent
            if self._is_stale(event, now, heard=heard):
                stale.add(event.id)
            if self._is_missed(event, now, heard=heard):
                missed.add(event.id)
        return addressed, stale, missed

    def _sent(self, events: Iterable[Event]) -> Mapping[str, Collection[str]]:
        """Give by story the sinks that it was sent to before."""
        threads = {event.thread for event in events if event.thread}
        return self._store.outbox.sinks_of(threads) if threads else {}  # do not read from a failing disk without need

    def _sinks(self, event: Event, now: int, told: Collection[str], sent: Collection[str]) -> Sequence[str]:
        """Give the sinks that an event is sent to: those it is routed to, unless it comes too late.

        A setup that is too old is sent only if it replaces one that was sent. Later events of a setup are sent only to
        sinks that the setup was sent to. ``told`` are the sinks that get the setup in this call, ``sent`` those that
        got it before.
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
        """Whether the user wants the later events of a setup; some users want them only for setups that they took."""
        watched = self._watched().get(event.data["instrument"])
        if event.kind == "setup.withdrawn" or watched is None or watched.rulebook.follow.which == "all":
            return True
        return self._store.decisions.is_taken(event.thread)

    def _is_stale(self, event: Event, now: int, *, heard: bool) -> bool:
        """Whether an event comes so long after its bar that it is kept but not sent.

        This applies to a setup that was not published before, and to the later events of a setup that nobody ``heard``
        of. Whoever got the setup also gets its later events, however late: they may have an order in the market. An
        event about the next bar is kept but not sent once that bar has closed.
        """
        if event.facts.ahead:
            return is_over(event, now)
        if event.facts.about != "setup" or not self._too_old(event, now):
            return False
        return event.id == event.thread if event.facts.begins else not heard

    def _is_missed(self, event: Event, now: int, *, heard: bool) -> bool:
        """Whether a summary lists an event: it is too old, and if it is an ending, its setup was sent."""
        facts = event.facts
        if not facts.ages or facts.on_request or not self._too_old(event, now):
            return False
        return event.id == event.thread if facts.begins else heard and self._is_wanted(event)

    def _too_old(self, event: Event, now: int) -> bool:
        return now - event.time > self._stale_after * Timeframe.named(event.data["timeframe"]).nanoseconds

    def unlisted(self, named: int) -> tuple[int, list[Event]]:
        """Count what was found too late and is in no summary yet; give the last ``named``."""
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
