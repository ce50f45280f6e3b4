"""How many deliveries a sink may get per minute."""

from __future__ import annotations

from collections import deque

from scanner.clocks import MINUTE


class Ceiling:
    """Counts the deliveries of the last minute; with no ceiling there is always room. Times are nanoseconds."""

    def __init__(self, a_minute: int | None) -> None:
        self._a_minute = a_minute
        self._last: deque[int] = deque()

    def room(self, now: int) -> int | None:
        """Give how many more deliveries may begin now; None if there is no ceiling."""
        if self._a_minute is None:
            return None
        while self._last and self._last[0] <= now - MINUTE:
            self._last.popleft()
        while self._last and self._last[-1] > now:  # counted before the clock was set back
            self._last.pop()
        return max(self._a_minute - len(self._last), 0)

    def opens(self) -> int:
        """Give when the next delivery may begin, if there is no room now."""
        return self._last[0] + MINUTE

    def count(self, now: int, deliveries: int = 1) -> None:
        """Count deliveries that begin now."""
        if self._a_minute is not None:
            self._last.extend([now] * deliveries)
