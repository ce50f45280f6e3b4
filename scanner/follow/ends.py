"""The stories of one series if only their ends are wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from scanner.follow import steps
from scanner.follow.stories import NO_RECORDS, Stories

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from scanner.follow.news import News
    from scanner.follow.stories import Sides


class Ends(Stories):
    """Stories that report only their ends: ``came`` gets their records.

    Call ``go_on`` before bars leave the window.
    """

    telling = steps.ENDED

    came: Callable[[NDArray[Any]], None]

    def go_on(self, records: NDArray[Any] = NO_RECORDS, standing: Sides = ()) -> None:
        """Follow more setups, each from its own bar of the window, and advance over all bars taken in.

        ``standing`` are the new bars of the window with setups.
        """
        self.add(records)
        self._go_on(self.series.used, standing)

    def tell(self) -> list[tuple[int, News]]:
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
        self._go_on(index, ())
        self.records["state"], self.records["ended_at"] = steps.BROKEN_OFF, self.series.times[1, index]
        self.tell()

    def _go_on(self, stop: int, standing: Sides) -> None:
        if len(self.records) and self._advance(stop, self.marks(stop, standing)):
            self.tell()
