"""What a station reports about itself: that it caught up, what it missed, that it is still watching, and trouble."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from scanner.backoff import Pauses
from scanner.events import Event, event_id
from scanner.service.to_report import late_feed
from scanner.store import StoreTroubleError
from scanner.wording.words import number_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from scanner.clocks import Clock
    from scanner.event_data import FoundInShort, StationData
    from scanner.service.committing import Committer
    from scanner.service.intake.intake import Intake
    from scanner.service.to_report import SetupList, ToReport

LOOK = 5.0
"""A catch-up is over when no late setup has come for this many seconds."""
LONGEST = 120.0
"""Seconds after which a summary is given even if the catch-up is not over."""


MISSED_ONE, MISSED_SEVERAL = "setup or ending", "setups and endings"


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


class Summaries:
    """Publishes what there is ``to_report``, and what was watched and taken in, while ``intakes`` ask the feeds."""

    def __init__(
        self,
        station: str,
        to_report: ToReport,
        committer: Committer,
        intakes: Mapping[str, Intake],
        *,
        clock: Clock,
        chance: Callable[[], float],
    ) -> None:
        self._station = station
        self._to_report = to_report
        self._committer = committer
        self._intakes = intakes
        self._clock = clock
        self._pauses = Pauses(chance)
        self._bars_told: dict[str, int] = {}
        """Bars covered so far by the summaries of each kind; the next one counts only the bars since."""

    async def caught_up(self) -> None:
        """Sum up in one event what came while nobody was watching, and what is in no earlier summary."""
        now, bars, late = self._clock.now(), self._committer.counts["bars"], self._to_report.missed
        count = late.count
        if bars or count:
            reason = "caught up on what closed while nobody was watching"
            if not await self._try(self._event("station.caught_up", reason, now, late, [str(now)])):
                if count:  # it goes into a summary as soon as the store accepts one
                    self._to_report.is_missed.set()
                return
        late.drop(count)

    async def keep_summing_up(self) -> None:
        """After each later catch-up, list in one event what it found too late; runs until cancelled."""
        while True:
            await self._to_report.is_missed.wait()
            self._to_report.is_missed.clear()
            await self._until_caught_up()
            failures = 0
            while not await self.sum_up():
                failures += 1
                await self._clock.sleep(self._pauses.after(failures))

    async def sum_up(self) -> bool:
        """List what came too late and is not listed yet, if anything; returns whether the store could keep it."""
        now, late = self._clock.now(), self._to_report.missed
        count = late.count
        if count:
            missed = number_of(count, MISSED_ONE, MISSED_SEVERAL)
            reason = f"found too late to be sent as alerts while catching up: {missed}"
            # If it is unknown whether it was kept, it is published again with the same id, and so is kept once.
            about = [str(count), *(event.id for event in late.newest())]
            if not await self._try(self._event("station.caught_up", reason, now, late, about)):
                return False
            late.drop(count)
        return True

    async def still_watching(self, now: int) -> None:
        """Report at a time of day that the station is watching, what came since the last time, and late feeds."""
        found, since = self._to_report.found, "last summary" if "station.watching" in self._bars_told else "start"
        reason = f"still watching: {number_of(found.count, 'setup')} since the {since}"
        late = {
            late_feed(name, each.late.reason): f"feed {name} is late: {each.late.reason}"
            for name, each in self._intakes.items()
            if each.late is not None
        }
        earlier = [trouble for trouble in self._to_report.troubles if trouble not in late]
        event = self._event("station.watching", reason, now, found, [str(now)], [*late.values(), *earlier])
        # What comes from here on is for the next summary: this one is tried until it is kept, always with the same id.
        found.drop(found.count)
        self._to_report.troubles.clear()
        failures = 0
        while not await self._try(event):
            failures += 1
            await self._clock.sleep(self._pauses.after(failures))

    async def _until_caught_up(self) -> None:
        """Wait, within a limit, until no feed is being asked and no more late setups come."""
        waited, before, late = 0.0, -1, self._to_report.missed
        while waited < LONGEST and (late.count != before or any(each.is_asking for each in self._intakes.values())):
            before = late.count
            await self._clock.sleep(LOOK)
            waited += LOOK

    async def _try(self, event: Event) -> bool:
        """Publish an event; returns whether the store could keep it. A failure is no reason to stop."""
        try:
            await self._committer.say(event)
        except StoreTroubleError as problem:
            self._to_report.note(str(problem))
            return False
        self._bars_told[event.kind] = self._bars_told.get(event.kind, 0) + event.data["bars"]
        return True

    def _event(
        self,
        kind: Literal["station.caught_up", "station.watching"],
        reason: str,
        now: int,
        setups: SetupList,
        about: Sequence[str],
        troubles: Sequence[str] = (),
    ) -> Event:
        data: StationData = {
            "station": self._station,
            "reason": reason,
            "series": sum(len(each.timeframes) for each in self._committer.desk.watched.values()),
            "bars": self._committer.counts["bars"] - self._bars_told.get(kind, 0),
            "setups_found": setups.count,
            "setups": [_named(event) for event in setups.newest()],
            "found": [_in_short(event) for event in setups.newest()],
            "troubles": list(troubles),
        }
        return Event(kind, event_id(kind, self._station, *about), now, self._station, data)
