"""Obstacles, which may stop an advance, read plainly and for the long side."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from tests.outside.plain_indicators import OBSTACLE_STRENGTH

if TYPE_CHECKING:
    from collections.abc import Sequence
    from decimal import Decimal

    from tests.outside.plain_indicators import Tape

SPAN = 250


class Obstacle(NamedTuple):
    """A price that may stop an advance, and the names of everything there."""

    price: Decimal
    names: frozenset[str]


def obstacles(tape: Tape, t: int, session_of: Sequence[int] | None) -> list[Obstacle]:
    """Give all obstacles at bar t, wherever they lie, lowest first.

    ``session_of`` numbers the session of each bar.
    """
    first = max(0, t - SPAN + 1)
    found = [(tape.bars[j].high, "swing") for j in range(first, t - OBSTACLE_STRENGTH + 1) if tape.obstacle_highs[j]]
    found.append((max(bar.high for bar in tape.bars[first : t + 1]), "extreme"))
    found += [
        (average, name) for average, name in ((tape.fast[t], "fast"), (tape.slow[t], "slow")) if average is not None
    ]
    if session_of is not None:
        earlier = [i for i in range(t + 1) if session_of[i] != session_of[t]]
        if earlier:
            before = session_of[earlier[-1]]
            found.append((max(tape.bars[i].high for i in earlier if session_of[i] == before), "session"))
    prices = sorted({price for price, _ in found})
    return [Obstacle(price, frozenset(name for other, name in found if other == price)) for price in prices]
