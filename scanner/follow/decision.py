"""A decision of the user about their own position, as the engine receives it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from decimal import Decimal


@dataclass(frozen=True, slots=True)
class Decision:
    """A setup was taken or left: at the user's ``price`` and with their ``size``, None if none was given.

    ``thread`` is its story. ``bar`` is the close of the last bar before the decision (nanoseconds since 1970 UTC); the
    decision counts from the next bar on.
    """

    thread: str
    kind: Literal["take", "leave"]
    price: Decimal | None
    size: Decimal | None
    bar: int
