"""Which configuration a running station goes by, kept beside its store, where whoever looks from outside finds it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Self

from scanner.clocks import SECOND
from scanner.service.store import StoreTroubleError

if TYPE_CHECKING:
    from scanner.service.station import Station
    from scanner.service.store.lock import Holder


class ListRead(NamedTuple):
    """The mark of a configuration and when it was read (nanoseconds since 1970 UTC, by the wall's clock)."""

    mark: str
    time: int

    @classmethod
    def of(cls, holder: Holder | None) -> Self | None:
        """Give what the process that holds a store has kept; None where there is none, or it kept nothing."""
        mark, _, time = (holder.word if holder else "").partition(" ")
        return cls(mark, int(time)) if time.isdigit() else None


def keep(station: Station) -> None:
    """Keep that a station goes by the settings that it has now."""
    now = station.clock.wall_time(station.clock.now())
    try:
        station.store.database.say(f"{station.settings.mark} {round(now * SECOND)}")
    except StoreTroubleError as problem:
        station.telling.note(str(problem))
