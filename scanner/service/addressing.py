"""Which sinks an event goes to, and when it is too late to send it."""

from __future__ import annotations

from collections import defaultdict, deque
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from scanner.delivery.late import is_over
from scanner.events import KINDS
from scanner.market.sessions.timeframes import ALL, Timeframe
from scanner.store import Said

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from scanner.configuration.model.settings import Watched
    from scanner.events import Event
    from scanner.store import SeriesKey, Store

NEWS = tuple(kind for kind, facts in KINDS.items() if facts.ages and not facts.on_request)
"""Kinds of event that a summary lists when they were missed."""
PAGE = 200
"""Events read at a time."""


@dataclass(slots=True)
class _Heard:
    """Who heard of a setup: the sinks to which anything of it was sent, and the user, if they took it."""

    sinks: set[str] = field(default_factory=set)
    is_taken: bool = False

    @property
    def anywhere(self) -> bool:
        return self.is_taken or bool(self.sinks)


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
        heard = self._heard(event for event, _ in said)
        addressed, stale, missed = list[Said](), set[str](), set[str]()
        for event, key in said:
            by = heard[event.thread]
            sinks = self._sinks(event, now, by)
            by.sinks.update(sinks)
            addressed.append(Said(event, sinks, key))
            if self._is_stale(event, now, by):
                stale.add(event.id)
            if self._is_missed(event, now, by):
                missed.add(event.id)
        return addressed, stale, missed

    def _heard(self, events: Iterable[Event]) -> Mapping[str, _Heard]:
        """Find by story who heard of the setups of some events before."""
        heard: dict[str, _Heard] = defaultdict(_Heard)
        threads = {event.thread for event in events if event.thread}
        if threads:  # do not read from a failing disk without need
            for thread, sinks in self._store.outbox.sinks_of(threads).items():
                heard[thread].sinks = sinks
            for thread in self._store.decisions.taken(threads):
                heard[thread].is_taken = True
        return heard

    def _sinks(self, event: Event, now: int, heard: _Heard) -> Sequence[str]:
        """Give the sinks that an event is sent to: those it is routed to, unless it comes too late.

        A setup that is too old is sent only to sinks that got an earlier version of it. Its later events are sent only
        if any sink got the setup, or if the user took it; then it is routed as if it had not been set aside.
        """
        if self._is_stale(event, now, heard):
            return ()
        sinks = self._route(_not_aside(event) if heard.is_taken else event)
        if event.facts.follows:
            return sinks if heard.anywhere and self._is_wanted(event, heard) else ()
        if event.facts.begins and self._too_old(event, now):
            return [sink for sink in sinks if sink in heard.sinks]
        return sinks

    def _is_wanted(self, event: Event, heard: _Heard) -> bool:
        """Whether the user wants the later events of a setup; some users want them only for setups that they took."""
        if event.kind == "setup.withdrawn" or heard.is_taken:
            return True
        watched = self._watched().get(event.data["instrument"])
        return watched is None or watched.rulebook.follow.which == "all"

    def _is_stale(self, event: Event, now: int, heard: _Heard) -> bool:
        """Whether an event comes so long after its bar that it is kept but not sent.

        This applies to a setup that was not published before, and to the later events of a setup that nobody heard of.
        Whoever got the setup or took it also gets its later events, however late: they may have an order in the market.
        An event about the next bar is kept but not sent once that bar has closed.
        """
        if event.facts.ahead:
            return is_over(event, now)
        if event.facts.about != "setup" or not self._too_old(event, now):
            return False
        return event.id == event.thread if event.facts.begins else not heard.anywhere

    def _is_missed(self, event: Event, now: int, heard: _Heard) -> bool:
        """Whether a summary lists an event: it is too old, and if it is an ending, its setup was sent or taken."""
        facts = event.facts
        if not facts.ages or facts.on_request or not self._too_old(event, now):
            return False
        return event.id == event.thread if facts.begins else heard.anywhere and self._is_wanted(event, heard)

    def _too_old(self, event: Event, now: int) -> bool:
        return now - event.time > self._stale_after * Timeframe.named(event.data["timeframe"]).nanoseconds

    def unlisted(self, named: int) -> tuple[int, list[Event]]:
        """Count what was found too late and is in no summary yet; give the last ``named``."""
        events, count = self._store.events, 0
        last: deque[Event] = deque(maxlen=named)
        summaries = events.before(events.last() + 1, ["station.caught_up"], 1)
        after = summaries[0].number if summaries else 0
        at_least = self._stale_after * ALL[0].nanoseconds  # most of a long run came in time, and need not be read
        while page := events.find(after=after, kinds=NEWS, late_by=at_least, limit=PAGE):
            heard = self._heard(each.event for each in page)
            for each in page:
                if self._is_missed(each.event, each.said, heard[each.event.thread]):
                    count += 1
                    last.append(each.event)
            after = page[-1].number
        return count, list(last)


def _not_aside(event: Event) -> Event:
    """Give an event of a setup as if the setup had not been set aside."""
    if event.facts.begins:
        return replace(event, kind="setup.qualified")
    return replace(event, data=event.data | {"set_aside": False})
