"""What was found at some bars: setups measured and weighed, with the places and obstacles around them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR
from scanner.analysis.door.setup import HOLDS, LEVELS, MISSED, Fit
from scanner.analysis.places.around import AT_PLACE, PLACE_BITS, WITHIN_REACH
from scanner.analysis.places.surrounded import look_at
from scanner.analysis.places.words import PLACE_NAMES
from scanner.compiling import compiled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Chosen
    from scanner.analysis.places.surrounded import Surrounded
    from scanner.analysis.pool import Hits, Pool

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Marks = NDArray[np.uint8]

KINDS = len(PLACE_NAMES)
BITS = dict(zip(PLACE_NAMES, PLACE_BITS, strict=True))


@dataclass(frozen=True, slots=True)
class Own:
    """What one setup's ``weigh`` gives for its bars, a row each: see ``Setup``."""

    measured: Floats
    verdicts: Marks
    points: Floats
    held: Marks
    levels: NDArray[Any]


@dataclass(frozen=True, slots=True)
class Fits:
    """Setups at some bars of series in a pool, whether or not their rules hold: a row each, in the order of the setups.

    ``spots`` (n × 3) are rows of the pool, bars of their windows and signs, ``levels`` LEVELS records. ``counted`` are
    points of evidence that hold, and ``total`` those that can be judged, including the places. ``owns`` has the results
    of each setup, whose rows begin at ``firsts``.
    """

    pool: Pool
    which: Integers
    spots: Integers
    levels: NDArray[Any]
    found: Surrounded
    counted: Integers
    total: Integers
    owns: tuple[Own, ...]
    firsts: tuple[int, ...]

    @property
    def standing(self) -> NDArray[np.intp]:
        """Rows near enough to a place that their setup needs; most are not."""
        return np.flatnonzero(self.found.near == AT_PLACE | WITHIN_REACH)

    def chosen(self, row: int) -> Chosen:
        """Give the setup of a row, with its numbers."""
        return self.pool.setups[self.which[row]]

    def fit(self, row: int) -> Fit:
        """Give a row in the form that the words of its setup take."""
        number, (line, t, sign) = bisect_right(self.firsts, row) - 1, self.spots[row].tolist()
        own, at, series = self.owns[number], row - self.firsts[number], self.pool.columns[line]
        said = (own.measured[at], own.verdicts[at], own.points[at], own.held[at], own.levels[at])
        return Fit(series, t, sign, float(series[ATR, t]), *said, self.pool.rules)


def levels_by(pool: Pool, which: int, spots: Integers, measured: Floats, numbers: NDArray[Any]) -> NDArray[Any]:
    """Give the levels of a chosen setup with other ``numbers``, from what was ``measured`` with its own."""
    setup, count = pool.setups[which].setup, len(spots)
    levels, nothing = np.empty(count, dtype=LEVELS), np.empty((count, 0), dtype=np.uint8)
    points, held = np.empty((count, len(setup.points))), np.empty((count, len(setup.points)), dtype=np.uint8)
    out = (measured, nothing, points, held, levels)
    setup.weigh(pool.columns, spots, numbers, pool.rules.record, out)
    return levels


def weighed_alone(pool: Pool, which: int, spots: Integers) -> Own:
    """Measure and weigh a chosen setup at some bars and signs."""
    setup, count = pool.setups[which].setup, len(spots)
    rules, points = len(setup.rules), len(setup.points)
    own = Own(
        np.empty((count, rules + setup.extra)),
        np.empty((count, rules), dtype=np.uint8),
        np.empty((count, points)),
        np.empty((count, points), dtype=np.uint8),
        np.empty(count, dtype=LEVELS),
    )
    out = (own.measured, own.verdicts, own.points, own.held, own.levels)
    setup.weigh(pool.columns, spots, pool.numbers[which], pool.rules.record, out)
    return own


def fits_at(pool: Pool, hits: Sequence[Hits], every: NDArray[np.bool_] | None = None) -> Fits:
    """Measure and weigh setups at some bars each, and look around them.

    Of those that lack the place they need, places and obstacles are looked for only where ``every`` one is wanted.
    """
    firsts, spots = (0, *accumulate(len(spots) for _, spots in hits)), np.empty((0, 3), dtype=np.int64)
    owns = tuple(weighed_alone(pool, *own) for own in hits)
    if hits:
        spots = hits[0][1] if len(hits) == 1 else np.concatenate([own for _, own in hits])
    count, setups = len(spots), pool.setups
    which, needed, levels = np.empty(count, np.int64), np.empty(count, np.uint8), np.empty(count, dtype=LEVELS)
    for own, first, stop, (number, _) in zip(owns, firsts, firsts[1:], hits, strict=False):
        levels[first:stop], which[first:stop] = own.levels, number
        needed[first:stop] = sum(BITS[kind] for kind in setups[number].setup.places)
    every = np.zeros(count, dtype=np.bool_) if every is None else every
    found = look_at(pool, spots, needed, levels["base"].copy(), every)
    counted, total = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    for own, first, stop in zip(owns, firsts, firsts[1:], strict=False):
        _count(found.places[first:stop], own.held, counted[first:stop], total[first:stop])
    return Fits(pool, which, spots, levels, found, counted, total, owns, firsts[:-1])


@compiled
def _count(places: NDArray[Any], held: Marks, counted: Integers, total: Integers) -> None:
    """Count the places and the own points that hold, and those that can be judged."""
    for k in range(len(held)):
        counted[k] = int(places[k].line) + int(places[k].average) + int(places[k].level) + int(places[k].turn)
        total[k] = KINDS
        for point in held[k]:
            counted[k] += point == HOLDS
            total[k] += (point == HOLDS) | (point == MISSED)
