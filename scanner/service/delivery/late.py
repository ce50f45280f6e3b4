"""When an alert is too late to act on, or of no use at all any more."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.market.timeframes import Timeframe

if TYPE_CHECKING:
    from scanner.events import Event


def is_over(event: Event, now: int) -> bool:
    """Say whether an event told of the next bar only, and that has closed: nobody is to hear of it any more.

    Where that close is not known, it is reckoned by the nominal length of a bar.
    """
    if not event.facts.ahead:
        return False
    close = event.data["next_close"]
    if close is not None:
        return int(datetime.fromisoformat(close).timestamp()) * SECOND <= now
    return now - event.time >= Timeframe.named(event.data["timeframe"]).nanoseconds


def too_late(event: Event, now: int, stale_after: int) -> bool:
    """Say whether the moment to enter has passed: the setup stood more than ``stale_after`` bars ago, and at least one.

    Bars are counted by their nominal length, so that a setup that waited over a night or a weekend is late, although
    no bar has closed since. ``now`` is in nanoseconds since 1970 UTC.
    """
    if not event.facts.ages:
        return False
    return now - event.time > max(stale_after, 1) * Timeframe.named(event.data["timeframe"]).nanoseconds
