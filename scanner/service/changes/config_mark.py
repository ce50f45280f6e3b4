"""Which configuration a running station goes by, kept beside its store, where whoever looks from outside finds it."""

from __future__ import annotations

import json
from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple, Self

from scanner.clocks import SECOND
from scanner.configuration.model.outline import FIXED
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings
    from scanner.service.station import Station
    from scanner.store.lock import Holder


class ListRead(NamedTuple):
    """The mark of a configuration and when it was read (nanoseconds since 1970 UTC, by the wall's clock).

    ``fixed`` is the mark of what is only read at the start, empty where it was not kept.
    """

    mark: str
    time: int
    fixed: str = ""

    @classmethod
    def of(cls, holder: Holder | None) -> Self | None:
        """Give what the process that holds a store has kept; None where there is none, or it kept nothing."""
        mark, time, fixed, *_ = [*(holder.word if holder else "").split(" "), "", ""]
        return cls(mark, int(time), fixed) if time.isdigit() else None


def fixed_mark(settings: Settings) -> str:
    """Tell files apart by what is only read at the start; as with their whole mark, the environment is left out."""
    parts = [settings.document.get(part, {}) for part in FIXED]
    return sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()[:32]


def keep(station: Station) -> None:
    """Keep that a station goes by the settings that it has now."""
    now = station.clock.wall_time(station.clock.now())
    try:
        station.store.database.say(f"{station.settings.mark} {round(now * SECOND)} {fixed_mark(station.settings)}")
    except StoreTroubleError as problem:
        station.telling.note(str(problem))
