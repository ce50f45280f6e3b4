"""What a station reports about itself: that it caught up, what it missed, that it is still watching, and trouble."""

from __future__ import annotations

import asyncio
from bisect import insort
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import structlog

from scanner.backoff import Pauses
from scanner.clocks import SECOND
from scanner.events import Event, event_id, rfc3339
from scanner.store import StoreTroubleError
from scanner.wording.words import number_of

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from scanner.clocks import Clock
    from scanner.event_data import FoundInShort, StationData

NAMED = 50
"""Setups or troubles that a summary names; it only counts the others."""

LOOK = 5.0
"""A catch-up is over when no late setup has come for this many seconds."""
LONGEST = 120.0
"""Seconds after which a summary is given even if the catch-up is not over."""


MISSED_ONE, MISSED_SEVERAL = "setup or ending", "setups and endings"


@dataclass(frozen=True, slots=True, order=True)
class _Came:
    """An event: when its bar closed, and its place in the order of arrival."""

    time: int
    place: int
    event: Event = field(compare=False)


class Setups:
    """Setups and endings to be listed: all are counted, those with the newest bars are named."""

    def __init__(self) -> None:
        self._came = self._told = 0
        self._newest: deque[_Came] = deque(maxlen=NAMED)
        """The newest last."""

    @property
    def count(self) -> int:
        """How many there are."""
        return self._came - self._told

    def add(self, event: Event) -> None:
        """Take note of one."""
        self._came += 1
        came = _Came(event.time, self._came, event)
        if len(self._newest) == NAMED:
            if came < self._newest[0]:
                return
            self._newest.popleft()
        insort(self._newest, came)

    def add_earlier(self, count: int, last: Sequence[Event]) -> None:
        """Take note of several; only the last of them are given by name."""
        self._came += count - len(last)
        for event in last:
            self.add(event)

    def drop(self, count: int) -> None:
        """Forget the first ``count``, which have been reported; others may have come meanwhile."""
        self._told += count
        self._newest = deque((each for each in self._newest if each.place > self._told), maxlen=NAMED)

    def newest(self) -> list[Event]:
        """Give the named ones, the newest last."""
        return [each.event for each in self._newest]


def _named(event: Event) -> str:
    ending = "" if event.facts.begins else f" {event.facts.counted[0]}"
    return f"{event.subject} {event.data['direction']} {event.data['bar_close']}{ending}"


def _in_short(event: Event) -> FoundInShort:
    data = event.data
    if event.facts.begins:
        entry = data["entries"][data["entry_style"]]
        planned, stop, room = entry["price"], data["levels"]["stop"], entry["room"]
    else:
        planned, stop, room = data["planned_entry"], data["stop"], None
    return {
        "what": event.facts.counted[0],
        "instrument": data["instrument"],
        "timeframe": data["timeframe"],
        "title": data["title"],
        "direction": data["direction"],
        "bar_close": data["bar_close"],
        "entry": planned,
        "stop": stop,
        "size": data["size"],
        "room": room,
    }


class Telling:
    """Collects what there is to report, and publishes it with ``say``, which raises StoreTroubleError.

    ``count`` gives how many series are watched and how many bars were taken in, ``busy`` whether feeds are being asked.
    """

    def __init__(
        self,
        name: str,
        *,
        clock: Clock,
        chance: Callable[[], float],
        say: Callable[[Event], Awaitable[None]],
        count: Callable[[], tuple[int, int]],
        busy: Callable[[], bool],
    ) -> None:
        self.troubles: list[str] = []
        self._name = name
        self._clock = clock
        self._pauses = Pauses(chance)
        self._say = say
        self._count = count
        self._busy = busy
        self._log = structlog.get_logger("closewatch").bind(station=name)
        self._found = Setups()
        """Those since the last summary of the day."""
        self._missed = Setups()
        """Those that came too late to be sent and are in no summary yet."""
        self._is_missed = asyncio.Event()
        self._bars_told: dict[str, int] = {}
        """Bars covered so far by the summaries of each kind; the next one counts only the bars since."""

    def note(self, trouble: str) -> None:
        """Take note of a trouble, for the log and for the summary of the day."""
        self._log.warning("trouble", trouble=trouble)
        self.troubles.append(trouble)
        del self.troubles[:-NAMED]

    def heard(self, events: Sequence[Event], missed: Sequence[Event]) -> None:
        """Take note of what was found: events that are sent, and events that are too old to be news."""
        for event in (*events, *missed):
            if event.kind == "setup.qualified":
                self._found.add(event)
        for event in missed:
            self._missed.add(event)
            self._is_missed.set()

    def remember(self, count: int, last: Sequence[Event]) -> None:
        """Take note of what an earlier run found too late and put in no summary."""
        self._missed.add_earlier(count, last)
        for event in last:
            if event.facts.begins:
                self._found.add(event)

    async def caught_up(self) -> None:
        """Sum up in one event what came while nobody was watching, and what is in no earlier summary."""
        now, (_, bars), missed = self._clock.now(), self._count(), self._missed.count
        if bars or missed:
            reason = f"{number_of(bars, 'bar')} caught up, up to {rfc3339(now // SECOND * SECOND)}"
            if not await self._try(self._event("station.caught_up", reason, now, self._missed, [str(now)])):
                if missed:  # it goes into a summary as soon as the store accepts one
                    self._is_missed.set()
                return
        self._missed.drop(missed)

    async def keep_summing_up(self) -> None:
        """After each later catch-up, list in one event what it found too late; runs until cancelled."""
        while True:
            await self._is_missed.wait()
            self._is_missed.clear()
            await self._until_caught_up()
            failures = 0
            while not await self.sum_up():
                failures += 1
                await self._clock.sleep(self._pauses.after(failures))

    async def sum_up(self) -> bool:
        """List what came too late and is not listed yet, if anything; returns whether the store could keep it."""
        missed, now = self._missed.count, self._clock.now()
        if missed:
            reason = (
                f"found too late to be sent as alerts while catching up, up to {rfc3339(now // SECOND * SECOND)}: "
                f"{number_of(missed, MISSED_ONE, MISSED_SEVERAL)}"
            )
            # If it is unknown whether it was kept, it is published again with the same id, and so is kept once.
            about = [str(missed), *(event.id for event in self._missed.newest())]
            if not await self._try(self._event("station.caught_up", reason, now, self._missed, about)):
                return False
            self._missed.drop(missed)
        return True

    async def daily(self, late: Sequence[str]) -> None:
        """Report that the station is still watching, what the day brought, and which feeds are late."""
        now = self._clock.now()
        found, troubles = self._found.count, len(self.troubles)
        reason = f"still watching: {number_of(found, 'setup')} since the last summary"
        event = self._event("station.watching", reason, now, self._found, [str(now)], [*late, *self.troubles])
        if await self._try(event):
            self._found.drop(found)
            del self.troubles[:troubles]

    async def _until_caught_up(self) -> None:
        """Wait, within a limit, until no feed is being asked and no more late setups come."""
        waited, before = 0.0, -1
        while waited < LONGEST and (self._busy() or self._missed.count != before):
            before = self._missed.count
            await self._clock.sleep(LOOK)
            waited += LOOK

    async def _try(self, event: Event) -> bool:
        """Publish an event; returns whether the store could keep it. A failure is no reason to stop."""
        try:
            await self._say(event)
        except StoreTroubleError as problem:
            self.note(str(problem))
            return False
        self._bars_told[event.kind] = self._bars_told.get(event.kind, 0) + event.data["bars"]
        return True

    def _event(
        self,
        kind: Literal["station.caught_up", "station.watching"],
        reason: str,
        now: int,
        setups: Setups,
        about: Sequence[str],
        troubles: Sequence[str] = (),
    ) -> Event:
        series, bars = self._count()
        data: StationData = {
            "station": self._name,
            "reason": reason,
            "series": series,
            "bars": bars - self._bars_told.get(kind, 0),
            "setups_found": setups.count,
            "setups": [_named(event) for event in setups.newest()],
            "found": [_in_short(event) for event in setups.newest()],
            "troubles": list(troubles),
        }
        return Event(kind, event_id(kind, self._name, *about), now, self._name, data)
