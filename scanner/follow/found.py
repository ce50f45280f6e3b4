"""A setup that was found, with what is needed to follow it."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from decimal import Decimal

    from scanner.event_data import MomentText


@dataclass(frozen=True, slots=True)
class Spoiler:
    """What proves a setup wrong before its entry, besides a close beyond the stop.

    ``text`` says it as a clause («a close below the last bar's middle»). It is a close on the wrong side of the price
    ``beyond``, or of the column ``average`` of its bar, or of either; ``closes`` of them. ``bars`` without an entry
    spoil it, too. A setup that nothing else spoils has none of these.
    """

    text: str = ""
    beyond: float | None = None
    average: int | None = None
    closes: int = 1
    bars: int | None = None

    @classmethod
    def of(cls, levels: Any, text: str) -> Self:  # noqa: ANN401 - a LEVELS record has no Python type
        """Read it from what a setup says of its levels."""
        _, _, _, beyond, average, closes, bars = levels.item()
        return cls(text, None if isnan(beyond) else beyond, None if average < 0 else average, closes, bars or None)


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
