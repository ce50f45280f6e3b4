"""Measured figures, their targets, and whether these are met."""

from __future__ import annotations

import resource
import sys
from dataclasses import dataclass, field
from time import process_time
from typing import TYPE_CHECKING

from scanner.wording.tables import table

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True, slots=True)
class Measure:
    """A figure, and the least or the most that is wanted; ``wanted`` is None without a target.

    ``format`` writes figure and limit, as in ``{:.1f} x``.
    """

    what: str
    figure: float
    format: str
    wanted: float | None = None
    at_least: bool = False

    def missed(self, margin: float = 1.0) -> bool:
        """Say whether the figure misses its target by more than a factor."""
        if self.wanted is None:
            return False
        return self.figure * margin < self.wanted if self.at_least else self.figure > self.wanted * margin

    @property
    def row(self) -> tuple[str, str, str, str]:
        """Give the measure as a row of the table."""
        if self.wanted is None:
            return self.what, self.format.format(self.figure), "", ""
        limit = f"{'>=' if self.at_least else '<='} {self.format.format(self.wanted)}"
        return self.what, self.format.format(self.figure), limit, "missed" if self.missed() else "met"


@dataclass(slots=True)
class Measures:
    """All measures of one run, printed as they come."""

    taken: list[Measure] = field(default_factory=list)

    def add(
        self, what: str, figure: float, unit: str, *, least: float | None = None, most: float | None = None
    ) -> None:
        """Record a measure."""
        measure = Measure(what, figure, unit, most if least is None else least, least is not None)
        self.taken.append(measure)
        print(f"{what}: {measure.row[1]}", file=sys.stderr, flush=True)

    def lines(self) -> list[str]:
        """Give all measures as a table."""
        return table(("what", "measured", "wanted", ""), [each.row for each in self.taken], left=(0, 2, 3))

    def missed(self, margin: float) -> bool:
        """Say whether any measure misses its target by more than a factor."""
        return any(each.missed(margin) for each in self.taken)


def best(work: Callable[[], object], times: int = 3, clock: Callable[[], float] = process_time) -> float:
    """Give the shortest of some runs, in processor seconds, which exclude other programs of a busy machine."""
    taken = []
    for _ in range(times):
        start = clock()
        work()
        taken.append(clock() - start)
    return min(taken)


def children_time() -> float:
    """Give the processor seconds of the processes started by this one."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
