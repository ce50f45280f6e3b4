"""Events that the outbox cannot take now, such as the news that nothing can be kept: they are sent without it."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Event
    from scanner.store.outbox import Delivery

REMEMBERED = 100
"""Events about feeds whose arrival is remembered: only these are sent without the outbox."""


class PastOutbox:
    """What to send to one sink without the outbox, each once, and what the outbox need not send after that.

    Who could not learn whether an event was stored passes it on again, even if the outbox has sent it meanwhile. What
    has arrived is forgotten when the process ends: after a restart an event may be sent again, with the same id.
    """

    def __init__(self) -> None:
        self._waiting: dict[str, Event] = {}
        self._arrived: deque[str] = deque(maxlen=REMEMBERED)

    def add(self, event: Event) -> None:
        """Take an event, unless it has arrived already."""
        if event.id not in self._arrived:
            self._waiting[event.id] = event

    def waiting(self) -> list[Event]:
        """Give the events to send, in order of arrival."""
        return list(self._waiting.values())

    def arrived(self, event: Event) -> None:
        """Note that an event has arrived, from here or from the outbox."""
        self.leave(event)
        if event.facts.about == "feed":
            self._arrived.append(event.id)

    def leave(self, event: Event) -> None:
        """Leave an event to the outbox, or until it is passed on again."""
        self._waiting.pop(event.id, None)

    def settle(self, due: Sequence[Delivery]) -> list[Delivery]:
        """Give those deliveries of the outbox that were sent already; the others are left to the outbox."""
        for each in due:
            self.leave(each.event)
        return [each for each in due if each.event.facts.about == "feed" and each.event.id in self._arrived]
