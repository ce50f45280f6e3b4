"""Order: which rows do not come after the ones before them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from scanner.clocks import DAY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times = NDArray[np.int64]

JUMP = 366 * DAY
"""A row this long after the last one is accepted only when the next row continues from it: its date may be wrong, and
then every correct row after it would seem to go backward."""

Disorder = Literal["repeated", "backward", "overlapping", "ahead"]


@dataclass(frozen=True, slots=True)
class Fault:
    """A row that does not come after the last one taken, by position; ``held`` is that one, −1 for an earlier chunk."""

    position: int
    disorder: Disorder
    held: int


@dataclass(slots=True)
class RowOrder:
    """What the next rows must follow: the open and close time of the last one taken, and the open time of a jump."""

    last: tuple[int, int] | None = None
    ahead: int | None = None

    def take(self, opens: Times, closes: Times) -> list[Fault]:
        """Take rows in the order sent and give those out of order; the time needed grows only with the faults."""
        seams = np.flatnonzero(opens[1:] != closes[:-1])  # few: nearly every row begins where the one before it ends
        next_opens = opens[seams + 1]
        astray = (next_opens < closes[seams]) | (next_opens > opens[seams] + JUMP)
        suspects = [*(seams[astray] + 1).tolist(), len(opens)]
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
            # Up to the next suspect, each row follows the one before it.
            position = suspects[bisect_right(suspects, position)]
            held = position - 1
            self.last, self.ahead = (int(opens[held]), int(closes[held])), None
        return faults

    def _disorder(self, begin: int) -> Disorder | None:
        if self.last is None:
            return None
        if begin < self.last[1]:
            return "repeated" if begin == self.last[0] else "backward" if begin < self.last[0] else "overlapping"
        if begin - self.last[0] > JUMP and (self.ahead is None or not 0 < begin - self.ahead <= JUMP):
            return "ahead"
        return None
