"""A note added to an alert: the open risk if the setup is taken."""

from __future__ import annotations

from datetime import UTC, datetime
from threading import Lock
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.journal.open_risk import at_risk, candidate, old_rate, same_bets, with_it
from scanner.journal.open_stories import OpenStories
from scanner.trade.size import rate_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from decimal import Decimal

    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.journal.open_risk import Position
    from scanner.journal.stories import Story
    from scanner.store import Decision, Store


class RiskNotes:
    """Keeps track of the open stories of a store, and finds the notes for a setup.

    It reads the events since it was last asked, and drops the stories that have ended. ``settings`` gives the
    configuration as it is now.
    """

    def __init__(self, store: Store, settings: Callable[[], Settings]) -> None:
        self._store = store
        self._settings = settings
        self._open = OpenStories(store)
        self._turn = Lock()

    def __call__(self, event: Event) -> list[str]:
        """Give the open risk if a setup is taken, and the others that are the same bet."""
        with self._turn:  # each sink asks from its own thread
            return self._notes(event)

    def _notes(self, event: Event) -> list[str]:
        settings = self._settings()
        if not event.facts.begins or event.data["instrument"] not in settings.instruments:
            return []
        new = candidate(event.data, self._group(event.data["instrument"]), *self._values(event.data["instrument"]))
        if new is None:
            return []
        stories = self._open.look()
        held = self._held(stories)
        others = [position for thread, position in held.items() if thread != event.thread]
        groups = {name: own.group or "" for name, own in settings.instruments.items()}
        said = with_it(new, others, settings.limits, settings.account.currency)
        said += same_bets(event, stories, held, groups)
        currency, account = event.data["currency"], settings.account
        if currency in account.fx and currency != account.currency:
            today = datetime.fromtimestamp(self._store.clock() // SECOND, UTC).date()
            said += old_rate(currency, account.fx_date, today, settings.limits.rate_days)
        return said

    def look(self) -> tuple[list[Story], dict[str, Position]]:
        """Give the open stories, and the positions among them by the ids of the stories."""
        with self._turn:
            stories = self._open.look()
            return stories, self._held(stories)

    def _held(self, stories: Sequence[Story]) -> dict[str, Position]:
        """Find the positions: all that are open by the rules, or of those that were taken, as the user follows them."""
        settings = self._settings()
        taken: dict[str, list[Decision]] = {}
        left = set()
        for _, each in self._store.decisions.after():
            if each.kind == "take":
                taken.setdefault(each.thread, []).append(each)
            elif each.kind == "leave":
                left.add(each.thread)
        held = {}
        for story in stories:
            name, timeframe = story.setup["instrument"], story.setup["timeframe"]
            counts = story.id in taken or (settings.follow.which == "all" and not story.setup["set_aside"])
            is_watched = name in settings.instruments and timeframe in (settings.setting_of(name, "timeframes") or ())
            if counts and story.id not in left and is_watched:
                position = at_risk(story, taken.get(story.id, []), self._group(name), *self._values(name))
                if position is not None:
                    held[story.id] = position
        return held

    def _group(self, name: str) -> str:
        return self._settings().instruments[name].group or ""

    def _values(self, name: str) -> tuple[Decimal, Decimal | None]:
        instrument = self._settings().of(name).instrument
        return instrument.point_value, rate_of(self._settings().account, instrument.currency)[0]
