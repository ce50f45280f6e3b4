"""What the user told of a position of their own, as the engine hears of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from decimal import Decimal


@dataclass(frozen=True, slots=True)
class Decision:
    """A setup was taken or left: at the user's own ``price`` and with their own ``size``, None where none was told.

    ``thread`` is its story. ``bar`` is the close of the last bar before it (nanoseconds since 1970 UTC): it counts
    from the next one on.
    """

    thread: str
    kind: Literal["take", "leave"]
    price: Decimal | None
    size: Decimal | None
    bar: int
