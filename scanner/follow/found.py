"""A setup that was found, as far as following it goes."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from scanner.analysis.setup import Spoiler
    from scanner.events import Event, MomentText, SetupData


@dataclass(frozen=True, slots=True)
class Found:
    """A setup to be followed: what it is called, its planned entry of the style that is followed, and what ends it.

    ``thread`` is the id of the event that said it, ``close`` when its last bar closed. ``line`` is its trend line,
    the price at that bar and the rise a bar; None where there is none.
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

    @classmethod
    def of(cls, event: Event, spoiler: Spoiler, line: tuple[float, float] | None) -> Self | None:
        """Take from a setup's event what is followed; None where its plan has no entry, or none with a risk."""
        data: SetupData = event.data
        entry = data["entries"][data["entry_style"]]
        if entry["price"] is None or entry["risk"] is None:
            return None
        return cls(
            thread=event.thread,
            setup=data["setup"],
            title=data["title"],
            sign=1 if data["direction"] == "long" else -1,
            set_aside=bool(data["set_aside"]),
            evidence_points=data["evidence_points"],
            close=data["bar_close"],
            entry=Decimal(entry["price"]),
            stop=Decimal(data["levels"]["stop"]),
            size=None if entry["size"] is None else Decimal(entry["size"]),
            ride=data["exit_plan"]["style"] == "ride",
            spoiler=spoiler,
            line=line,
        )
