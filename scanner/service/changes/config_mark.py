"""The mark of the configuration that a running station uses, kept beside its store for other processes to read."""

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

    ``fixed`` is the mark of the parts that are only read at the start, empty if it was not kept.
    """

    mark: str
    time: int
    fixed: str = ""

    @classmethod
    def of(cls, holder: Holder | None) -> Self | None:
        """Give the mark kept by the process that holds a store; None if there is no such process, or it kept none."""
        mark, time, fixed, *_ = [*(holder.word if holder else "").split(" "), "", ""]
        return cls(mark, int(time), fixed) if time.isdigit() else None


def fixed_mark(settings: Settings) -> str:
    """Give the mark of the parts that are only read at the start; like the whole mark, it ignores the environment."""
    parts = [settings.document.get(part, {}) for part in FIXED]
    return sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()[:32]


def keep(station: Station) -> None:
    """Keep the mark of the settings that a station uses now."""
    now = station.clock.wall_time(station.clock.now())
    try:
        station.store.database.say(f"{station.settings.mark} {round(now * SECOND)} {fixed_mark(station.settings)}")
    except StoreTroubleError as problem:
        station.to_report.note(str(problem))
