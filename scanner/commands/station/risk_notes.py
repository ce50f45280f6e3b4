"""A note added to an alert: the open risk if the setup is taken."""

from __future__ import annotations

from datetime import UTC, datetime
from threading import Lock
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.journal.open_risk import at_risk, candidate, old_rate, same_bets, with_it
from scanner.journal.open_stories import OpenStories
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import timetable_of
from scanner.trade.size import rate_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from decimal import Decimal

    from scanner.configuration.model.outline import OnList, Outline
    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.journal.open_risk import Position
    from scanner.journal.stories import Story
    from scanner.store import KeptDecision, Store


class RiskNotes:
    """Keeps track of the open stories of a store, and finds the notes for a setup.

    It reads the events since it was last asked, and drops the stories that have ended. ``about`` gives the
    configuration as it is now.
    """

    def __init__(self, store: Store, about: Callable[[], Settings | Outline]) -> None:
        self.store = store
        self._about = about
        self._open = OpenStories(store)
        self._turn = Lock()

    def __call__(self, event: Event) -> list[str]:
        """Give the open risk if a setup is taken, and the others that are the same bet."""
        with self._turn:  # each sink asks from its own thread
            return self._notes(event)

    def _notes(self, event: Event) -> list[str]:
        about = self._about()
        listed = about.on_list(event.data["instrument"])
        if not event.facts.begins or listed is None:
            return []
        new = candidate(event.data, listed.group, listed.point_value, self._rate(listed))
        if new is None:
            return []
        stories = self._open.look()
        held = self._held(stories)
        others = [position for thread, position in held.items() if thread != event.thread]
        names = {event.data["instrument"], *(story.setup["instrument"] for story in stories)}
        groups = {name: found.group for name in names if (found := about.on_list(name)) is not None}
        said = with_it(new, others, about.limits, about.account.currency)
        timetable = timetable_of(listed.calendar, Timeframe.named(event.data["timeframe"]))
        said += same_bets(event, stories, held, groups, timetable)
        currency, account = event.data["currency"], about.account
        if currency in account.fx and currency != account.currency:
            today = datetime.fromtimestamp(self.store.clock() // SECOND, UTC).date()
            said += old_rate(currency, account.fx_date, today, about.limits.rate_days)
        return said

    def look(self) -> tuple[list[Story], dict[str, Position]]:
        """Give the open stories, and the positions among them by the ids of the stories."""
        with self._turn:
            stories = self._open.look()
            return stories, self._held(stories)

    def _held(self, stories: Sequence[Story]) -> dict[str, Position]:
        """Find the positions: all that are open by the rules and were not passed, or only those that were taken."""
        about = self._about()
        taken: dict[str, list[KeptDecision]] = {}
        left, passed = set(), set()
        for _, each in self.store.decisions.after():
            if each.kind == "take":
                taken.setdefault(each.thread, []).append(each)
            elif each.kind == "leave":
                left.add(each.thread)
            elif each.kind == "pass":
                passed.add(each.thread)
        held = {}
        for story in stories:
            listed, timeframe = about.on_list(story.setup["instrument"]), story.setup["timeframe"]
            is_by_the_rules = about.follow.which == "all" and not story.setup["set_aside"] and story.id not in passed
            counts = story.id in taken or is_by_the_rules
            is_watched = listed is not None and timeframe in {each.name for each in listed.timeframes}
            if counts and story.id not in left and listed is not None and is_watched:
                own = taken.get(story.id, [])
                position = at_risk(story, own, listed.group, listed.point_value, self._rate(listed))
                if position is not None:
                    held[story.id] = position
        return held

    def _rate(self, listed: OnList) -> Decimal | None:
        """Give the value of a unit of an instrument's currency in that of the account."""
        return rate_of(self._about().account, listed.currency)[0]
