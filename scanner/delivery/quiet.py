"""When a sink must be silent, and what may break the silence."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from scanner.clocks import SECOND
from scanner.wording.times import in_zone

if TYPE_CHECKING:
    from datetime import time

    from scanner.configuration.model.tables import Quiet
    from scanner.events import Event


def quiet_until(quiet: Quiet, now: int) -> int | None:
    """Give the end of the quiet hours that ``now`` falls into; None outside of them.

    Times are nanoseconds since 1970 UTC. Quiet hours whose end is no later than their start end on the next day.
    """
    return next((end for start, end in _around(quiet, now) if start <= now < end), None)


def last_quiet_end(quiet: Quiet, now: int) -> int:
    """Give the end of the last quiet hours that are over at ``now``."""
    return max(end for _, end in _around(quiet, now) if end <= now)


def cannot_wait(event: Event) -> bool:
    """Say whether an event may concern an open position: it follows a setup that was reported before."""
    return event.facts.ends or event.thread not in {"", event.id}


def _around(quiet: Quiet, now: int) -> list[tuple[int, int]]:
    """Give the quiet hours of some days around a moment, each by its start and end.

    When the clocks change, a time that occurs twice means the first, and one that is skipped lies as long after the
    change as it would have.
    """
    today = in_zone(now, quiet.zone).date()

    def moment(day: int, at: time) -> int:
        return int(datetime.combine(today + timedelta(day), at, ZoneInfo(quiet.zone)).timestamp()) * SECOND

    over_night = int(quiet.end <= quiet.start)
    return [(moment(day, quiet.start), moment(day + over_night, quiet.end)) for day in range(-2, 2)]
