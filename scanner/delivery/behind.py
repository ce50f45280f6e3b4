"""Deliveries that some receivers of a sink have and others lack, and when those are tried again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.clocks import SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from scanner.backoff import Pauses
    from scanner.store.outbox import Delivery


class Behind:
    """What the receivers who are behind lack: one delivery at a time, after growing pauses, when nothing new waits.

    It is forgotten when the process ends, as the sink forgets who has what; then all receivers get it again.
    """

    def __init__(self, pauses: Pauses) -> None:
        self.lacking: set[int] = set()
        self._pauses = pauses
        self._failures = 0
        self._paused = self._resume = 0

    def fall(self, numbers: Iterable[int], now: int) -> int:
        """Note that a receiver did not accept deliveries that others have; returns when to try again."""
        self.lacking.update(numbers)
        self._failures += 1
        self._paused = now
        self._resume = now + int(self._pauses.after(self._failures) * SECOND)
        return self._resume

    def done(self, numbers: Iterable[int]) -> None:
        """Note deliveries that nobody lacks any more, or that were refused for good."""
        self.lacking.difference_update(numbers)
        self._failures = self._resume = 0

    def choose(self, ready: Sequence[Delivery], now: int) -> Sequence[Delivery]:
        """Give what is new to all receivers; if there is nothing, one delivery that some lack, once its time is up."""
        new = [each for each in ready if each.number not in self.lacking]
        return new or ([] if self._paused <= now < self._resume else ready[:1])
