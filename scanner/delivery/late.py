"""When an alert is too late to act on, or no longer of any use."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.market.sessions.timeframes import Timeframe
from scanner.wording.times import parse_time

if TYPE_CHECKING:
    from scanner.events import Event


def is_over(event: Event, now: int) -> bool:
    """Say whether an event was only about the next bar, and that has closed: it is no longer sent.

    If that close is unknown, it is estimated from the nominal length of a bar.
    """
    if not event.facts.ahead:
        return False
    close = event.data["next_close"]
    if close is not None:
        return parse_time(close) <= now
    return now - event.time >= Timeframe.named(event.data["timeframe"]).nanoseconds


def too_late(event: Event, now: int, stale_after: int) -> bool:
    """Say whether the moment to enter has passed: the setup is more than ``stale_after`` bars old, and at least one.

    Bars are counted by their nominal length, so that a setup that waited over a night or a weekend is late, although
    no bar has closed since. ``now`` is in nanoseconds since 1970 UTC.
    """
    if not event.facts.ages:
        return False
    return now - event.time > max(stale_after, 1) * Timeframe.named(event.data["timeframe"]).nanoseconds
