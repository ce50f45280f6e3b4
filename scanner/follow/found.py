"""A setup that was found, with what its news need."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decimal import Decimal

    from scanner.event_data import MomentText


@dataclass(frozen=True, slots=True)
class Found:
    """A setup to follow: its name and its planned entry of the style that is followed, in exact decimals.

    ``thread`` is the id of its first event, ``close`` the close of its last bar, ``trigger`` the price that a break
    entry must beat. ``spoiled_by`` says as a clause what proves it wrong before its entry («a close below the last
    bar's middle»), besides a close beyond the stop or a cross back of the MACD line. All other numbers by which it is
    followed are in its record.
    """

    thread: str
    setup: str
    title: str
    sign: int
    set_aside: bool
    evidence_points: int
    close: MomentText
    trigger: float
    entry: Decimal
    stop: Decimal
    size: Decimal | None
    ride: bool
    spoiled_by: str
