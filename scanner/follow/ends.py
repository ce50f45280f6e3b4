"""The stories of one series if only their ends are wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from scanner.follow import steps
from scanner.follow.stories import NO_RECORDS, Stories, go_on_together

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from scanner.follow.news import News


class Ends(Stories):
    """Stories that report only their ends: ``came`` gets their records."""

    telling = steps.ENDED

    came: Callable[[NDArray[Any]], None]

    def tell(self) -> list[tuple[int, int, News]]:
        """Pass on the stories that have ended."""
        ended = self.records["state"] > steps.OPEN
        if ended.all():
            records, self.records = self.records, NO_RECORDS
            self.came(records)
        elif ended.any():
            records, self.records = self.records[ended], self.records[~ended]
            self.came(records)
        return []

    def break_off(self, index: int) -> None:
        """Advance up to a bar of the window, and end the remaining stories before it, without a result."""
        go_on_together([self], stop=index)
        self.records["state"], self.records["ended_at"] = steps.BROKEN_OFF, self.series.times[1, index]
        self.tell()
