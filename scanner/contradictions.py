"""What was said of recorded bars, held against the bars: a step, a calendar or a zone that cannot be theirs."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.guard import Guard
from scanner.market.sessions import Timetable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from decimal import Decimal

    from scanner.market.bars import Bars, RawBars
    from scanner.market.calendars import Calendar
    from scanner.market.price_steps import GuessedStep
    from scanner.market.timeframes import Timeframe
    from scanner.recordings import Reading

ZONES = (
    *("America/New_York", "America/Chicago", "America/Los_Angeles", "Europe/London", "Europe/Berlin", "UTC"),
    *("Asia/Tokyo", "Asia/Hong_Kong", "Asia/Kolkata", "Australia/Sydney"),
)
"""Zones that are tried, besides the calendar's own, where times do not fit."""
FEW = 20
"""Rows below which nothing is concluded from how many are refused."""


def check_step(step: Decimal, shown: GuessedStep, bars: Bars) -> None:
    """Raise ValueError where a step cannot be that of some bars; ``shown`` is the one that their prices show."""
    ranges = bars.high - bars.low
    usual = float(np.median(ranges[ranges > 0])) if (ranges > 0).any() else 0.0
    if usual and 2 * float(step) > usual:
        raise ValueError(
            f"--step {step:f} is more than half of the usual range of a bar, {usual:.4g}; give the step at which "
            "prices move, or leave it out to have it guessed"
        )
    if step < shown.step and len(bars) >= FEW:
        raise ValueError(
            f"--step {step:f} is finer than the prices show: {shown.fitting:,} of {shown.prices:,} are multiples of "
            f"{shown.step:f}; give that, or leave the step out to have it guessed"
        )


def is_mostly_refused(refused: int, rows: int) -> bool:
    """Say whether so many rows are refused that what is left is not to be relied on: more than a fifth."""
    return rows >= FEW and 5 * refused > rows


def advice(reading: Reading, rows: Callable[[Reading], RawBars | None], calendar: Calendar, base: Timeframe) -> str:
    """Say what would make the times of some rows fit, as an option to give; empty where nothing is found.

    ``rows`` reads the first rows once more in another way.
    """
    for words, other in _other_ways(reading, calendar):
        raw = rows(other)
        if raw is None:
            continue
        kept = len(Guard(Timetable(calendar, base)).check(raw).bars)
        if 20 * kept >= 19 * len(raw):
            return words
    return ""


def _other_ways(reading: Reading, calendar: Calendar) -> Iterator[tuple[str, Reading]]:
    """Give other zones and kinds of time, the likeliest first, each in words."""
    zones = dict.fromkeys((reading.tz, calendar.tz, *ZONES))
    for stamp, zone in product(dict.fromkeys((reading.stamp, "open", "close")), zones):
        if (stamp, zone) == (reading.stamp, reading.tz):
            continue
        said = []
        if zone != reading.tz:
            said.append(f"these look like {zone.rpartition('/')[2].replace('_', ' ')} times: --tz {zone}")
        if stamp != reading.stamp:
            said.append(f"these look like times at which bars {stamp}: --stamp {stamp}")
        yield ", and ".join(said), replace(reading, tz=zone, stamp=stamp)
