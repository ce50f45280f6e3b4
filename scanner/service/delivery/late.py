"""When an alert is too late to act on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.market.timeframes import Timeframe

if TYPE_CHECKING:
    from scanner.events import Event


def too_late(event: Event, now: int, stale_after: int) -> bool:
    """Say whether the moment to enter has passed: the setup stood more than ``stale_after`` bars ago, and at least one.

    Bars are counted by their nominal length, so that a setup that waited over a night or a weekend is late, although
    no bar has closed since. ``now`` is in nanoseconds since 1970 UTC.
    """
    if not event.facts.ages:
        return False
    return now - event.time > max(stale_after, 1) * Timeframe.named(event.data["timeframe"]).nanoseconds
