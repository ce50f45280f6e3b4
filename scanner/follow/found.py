"""A setup that was found, with what is needed to follow it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decimal import Decimal

    from scanner.analysis.setup import Spoiler
    from scanner.event_data import MomentText


@dataclass(frozen=True, slots=True)
class Found:
    """A setup to follow: its name, its planned entry of the style that is followed, and what ends it.

    ``thread`` is the id of its first event, ``close`` the close of its last bar. ``line`` is its trend line,
    the price at that bar and the rise per bar; None if there is none.
    """

    thread: str
    setup: str
    title: str
    sign: int
    set_aside: bool
    evidence_points: int
    close: MomentText
    entry: Decimal
    stop: Decimal
    size: Decimal | None
    ride: bool
    spoiler: Spoiler
    line: tuple[float, float] | None
