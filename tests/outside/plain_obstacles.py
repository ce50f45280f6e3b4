"""What may stop an advance, read plainly and from the long side."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence
    from decimal import Decimal

    from tests.outside.plain_indicators import Tape

STRENGTH = 6
SPAN = 250


class Obstacle(NamedTuple):
    """A price that may stop an advance, and all that lies there."""

    price: Decimal
    names: frozenset[str]


def obstacles(tape: Tape, t: int, session_of: Sequence[int] | None) -> list[Obstacle]:
    """Give every obstacle there is at bar t, wherever it lies, from the lowest price on.

    ``session_of`` numbers the session of each bar.
    """
    first = max(0, t - SPAN + 1)
    found = [(tape.bars[j].high, "swing") for j in range(first, t - STRENGTH + 1) if is_swing_high(tape, j)]
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


def is_swing_high(tape: Tape, j: int) -> bool:
    """Tell whether bar j is higher than each of the six bars before it and not below any of the six after it."""
    if j < STRENGTH:
        return False
    high = tape.bars[j].high
    before, after = tape.bars[j - STRENGTH : j], tape.bars[j + 1 : j + STRENGTH + 1]
    return all(bar.high < high for bar in before) and all(bar.high <= high for bar in after)
