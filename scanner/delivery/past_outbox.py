"""Events that the outbox cannot take now, such as the news that nothing can be kept: they are sent without it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Event
    from scanner.store.outbox import Delivery


class PastOutbox:
    """What to send to one sink without the outbox, each once, and what the outbox need not send after that.

    It ends with the process: after a restart an event may be sent again, with the same id.
    """

    def __init__(self) -> None:
        self._waiting: dict[str, Event] = {}
        self._arrived: set[str] = set()

    def add(self, event: Event) -> None:
        """Take an event, unless it was sent already."""
        if event.id not in self._arrived:
            self._waiting[event.id] = event

    def waiting(self) -> list[Event]:
        """Give the events to send, in order of arrival."""
        return list(self._waiting.values())

    def arrived(self, event: Event) -> None:
        """Note that an event was sent."""
        del self._waiting[event.id]
        self._arrived.add(event.id)

    def settle(self, due: Sequence[Delivery]) -> list[Delivery]:
        """Give those deliveries of the outbox that were sent already; the others are left to the outbox."""
        for each in due:
            self._waiting.pop(each.event.id, None)
        settled = [each for each in due if each.event.id in self._arrived]
        self._arrived -= {each.event.id for each in settled}
        return settled
