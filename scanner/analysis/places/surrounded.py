"""Places and obstacles around bars: of many at once as columns, or of one for its words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.places import around, structure
from scanner.analysis.places.obstacles import obstacle_words, room_for_obstacles

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool
    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

NOTHING = np.zeros(0, dtype=np.uint8)


@dataclass(frozen=True, slots=True)
class Around:
    """Around a bar t in one direction: ``places`` (a PLACES record), and the obstacles ahead of its close.

    ``marks`` are the swing marks of the bars up to t, only if a single bar was examined. ``prices`` and ``kinds`` are
    those of the obstacles.
    """

    sign: int
    places: Any
    marks: NDArray[np.uint8]
    prices: Floats
    kinds: NDArray[np.uint8]
    rules: Rules

    @property
    def obstacles(self) -> tuple[tuple[float, str], ...]:
        """The obstacles as real prices with their names, nearest first."""
        told = zip(self.prices.tolist(), self.kinds.tolist(), strict=True)
        return tuple((price, obstacle_words(kind, self.sign, self.rules)) for price, kind in told)


@dataclass(frozen=True, slots=True)
class Surrounded:
    """Places and obstacles around bars: a row for each of ``spots``; see ``around.look_around``."""

    spots: Integers
    places: NDArray[Any]
    near: NDArray[np.uint8]
    prices: Floats
    kinds: NDArray[np.uint8]
    counts: Integers
    rules: Rules

    def around(self, spot: int, marks: NDArray[np.uint8] = NOTHING) -> Around:
        """Give those around one spot."""
        ahead = slice(self.counts[spot])
        prices, kinds = self.prices[spot, ahead], self.kinds[spot, ahead]
        return Around(int(self.spots[spot, 2]), self.places[spot], marks, prices, kinds, self.rules)


def look_at(
    pool: Pool, spots: Integers, needed: NDArray[np.uint8], bases: Floats, every: NDArray[np.bool_]
) -> Surrounded:
    """Find the places and obstacles around bars of the series of a pool; see ``around.look_around``."""
    count = len(spots)
    found = Surrounded(
        spots,
        np.zeros(count, dtype=structure.PLACES),
        np.empty(count, dtype=np.uint8),
        *room_for_obstacles(pool.rules, count),
        np.empty(count, dtype=np.int64),
        pool.rules,
    )
    _, begins = pool.begins(spots[:, 0])
    where = (pool.columns, pool.deep, begins, pool.history, spots, needed, bases, every)
    out = (found.places, found.near, found.prices, found.kinds, found.counts)
    around.look_around(*where, pool.rules.record, *out, *pool.looking)
    return found


def look_again(pool: Pool, spots: Integers, rules: NDArray[Any]) -> NDArray[Any]:
    """Find the places around bars under several other RULES with the same lengths; returns PLACES (spots × rules)."""
    found, (_, begins) = np.zeros((len(spots), len(rules)), dtype=structure.PLACES), pool.begins(spots[:, 0])
    around.look_again(pool.columns, pool.deep, begins, pool.history, spots, rules, found, *pool.looking)
    return found
