"""Deliveries that some receivers of a sink have and others lack, and when those are tried again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.clocks import DAY, SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from scanner.backoff import Pauses
    from scanner.store.outbox import Delivery


class Behind:
    """What the receivers who are behind lack: one delivery at a time, after growing pauses, when nothing new waits.

    It is forgotten when the process ends, as the sink forgets who has what; then all receivers get it again. So what is
    still lacking after a day is given up.
    """

    def __init__(self, pauses: Pauses) -> None:
        self.lacking: dict[int, int] = {}
        """By the number of a delivery, since when."""
        self._pauses = pauses
        self._failures = 0
        self._paused = self._resume = 0

    def fall(self, numbers: Iterable[int], now: int) -> int:
        """Note that a receiver did not accept deliveries that others have; returns when to try again."""
        for number in numbers:
            self.lacking.setdefault(number, now)
        self._failures += 1
        self._paused = now
        self._resume = now + int(self._pauses.after(self._failures) * SECOND)
        return self._resume

    def done(self, numbers: Iterable[int]) -> None:
        """Note deliveries that nobody lacks any more, or that were refused for good."""
        for number in numbers:
            self.lacking.pop(number, None)
        self._failures = self._resume = 0

    def give_up(self, now: int) -> list[int]:
        """Forget and return the deliveries that have been lacking for a day."""
        old = [number for number, since in self.lacking.items() if now - since >= DAY]
        for number in old:
            del self.lacking[number]
        return old

    def choose(self, ready: Sequence[Delivery], now: int) -> Sequence[Delivery]:
        """Give what is new to all receivers; if there is nothing, one delivery that some lack, once its time is up."""
        new = [each for each in ready if each.number not in self.lacking]
        return new or ([] if self._paused <= now < self._resume else ready[:1])
