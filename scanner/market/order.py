"""Order: which rows do not come after the ones before them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times = NDArray[np.int64]

LEAP = 366 * 86_400 * 1_000_000_000
"""A row so far after the last one is believed when the next row goes on from there: its date may be wrong, and if it
were taken, every right one after it would go back."""

Disorder = Literal["repeated", "backward", "overlapping", "ahead"]


@dataclass(frozen=True, slots=True)
class Fault:
    """A row that does not come after the last one taken, by position; ``held`` is that one, −1 for an earlier chunk."""

    position: int
    disorder: Disorder
    held: int


@dataclass(slots=True)
class RowOrder:
    """What rows must come after: the open and close time of the last one taken, and the open time of a leap."""

    last: tuple[int, int] | None = None
    ahead: int | None = None

    def take(self, opens: Times, closes: Times) -> list[Fault]:
        """Take rows in the order sent and give those that are out of order; the cost in time is that of the faults."""
        after_another = (opens[1:] >= closes[:-1]) & (opens[1:] <= opens[:-1] + LEAP)
        suspects = [*(np.flatnonzero(~after_another) + 1).tolist(), len(opens)]
        faults: list[Fault] = []
        position, held = 0, -1
        while position < len(opens):
            begin = int(opens[position])
            disorder = self._disorder(begin)
            if disorder:
                faults.append(Fault(position, disorder, held))
                self.ahead = begin if disorder == "ahead" else self.ahead
                position += 1
                continue
            # Up to the next suspect, each row comes after the one before it.
            position = suspects[bisect_right(suspects, position)]
            held = position - 1
            self.last, self.ahead = (int(opens[held]), int(closes[held])), None
        return faults

    def _disorder(self, begin: int) -> Disorder | None:
        if self.last is None:
            return None
        if begin < self.last[1]:
            return "repeated" if begin == self.last[0] else "backward" if begin < self.last[0] else "overlapping"
        if begin - self.last[0] > LEAP and (self.ahead is None or not 0 < begin - self.ahead <= LEAP):
            return "ahead"
        return None
