"""Labels moved apart, as little as possible."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


def spread(wanted: Sequence[float], gap: float, lowest: float, highest: float) -> list[float]:
    """Move positions so that any two are at least ``gap`` apart and all lie from ``lowest`` to ``highest``.

    ``wanted`` rises; the order is kept, and the squared distances to the wanted positions are the least possible.
    If there is not enough room for all, they are ``gap`` apart from ``lowest`` on.

    >>> spread([10.0, 12.0, 40.0], gap=6, lowest=0, highest=100)
    [8.0, 14.0, 40.0]
    """
    # Less its place in the queue, each position only has to be no lower than the one before: neighbours that would
    # overtake each other meet at their mean (the pool-adjacent-violators algorithm; Ayer et al. 1955, from memory).
    pools: list[tuple[float, int]] = []
    for place, position in enumerate(wanted):
        mean, count = position - place * gap, 1
        while pools and pools[-1][0] > mean:
            other, others = pools.pop()
            mean, count = (mean * count + other * others) / (count + others), count + others
        pools.append((mean, count))
    room = max(highest - (len(wanted) - 1) * gap, lowest)
    level = [min(max(mean, lowest), room) for mean, count in pools for _ in range(count)]
    return [position + place * gap for place, position in enumerate(level)]
