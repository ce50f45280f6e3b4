"""The receivers of a sink, and who of them has an event that others do not have yet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Sequence

    from scanner.ports import Message

Receiver = TypeVar("Receiver", bound="Hashable")

MOST_EVENTS = 10_000
"""Most events remembered: some are given up before everyone has them, and must not fill the memory."""


class Receivers(Generic[Receiver]):
    """Those who get the messages of a sink: a retry, alone or in another digest, leaves out who has them already."""

    def __init__(self, everyone: Iterable[Receiver], most: int = MOST_EVENTS) -> None:
        self._everyone = tuple(everyone)
        self._most = most
        self._reached: dict[str, frozenset[Receiver]] = {}
        """Who has an event, by its id; the oldest first."""

    def lacking(self, messages: Sequence[Message]) -> list[Receiver]:
        """Give those who do not have all of these messages."""
        reached = [self._reached.get(message.event.id, frozenset()) for message in messages]
        return [each for each in self._everyone if not all(each in who for who in reached)]

    def note(self, messages: Sequence[Message], reached: Iterable[Receiver]) -> None:
        """Note who has received messages; these are forgotten once everyone has all of them."""
        names, reached = [message.event.id for message in messages], frozenset(reached)
        if reached:
            self._reached |= {name: self._reached.get(name, frozenset()) | reached for name in names}
        if not self.lacking(messages):
            for name in names:
                self._reached.pop(name, None)
        while len(self._reached) > self._most:
            del self._reached[next(iter(self._reached))]
