"""When the bars of the demo feed open: 15-minute bars of two years on the calendars that its exchange keeps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import exchange_calendars
import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

FIRST_DAY, LAST_DAY = date(2023, 1, 2), date(2024, 12, 31)
BAR = 900
"""Length of a bar in seconds."""

FRIDAY = 5
NEW_YORK = ZoneInfo("America/New_York")
FREIGHT_HOURS = time(8), time(16)
FREIGHT_HOLIDAYS = frozenset(
    date(year, month, day)
    for year in (2023, 2024)
    for month, day in ((1, 2), (2, 14), (4, 3), (5, 17), (6, 21), (8, 9), (9, 20), (11, 8), (12, 24), (12, 25))
)
"""Days on which the invented freight hall stays shut: new year, net mending, first ferry, fog week, long light, …"""


@dataclass(frozen=True, slots=True)
class Times:
    """Open times of bars in seconds since 1970 UTC, and the number of the day or half day that each belongs to."""

    opens: NDArray[np.int64]
    day: NDArray[np.int64]

    def __len__(self) -> int:
        """Count the bars."""
        return len(self.opens)

    @property
    def after_break(self) -> NDArray[np.bool_]:
        """Mark the bars before which trading rested: prices may leap there."""
        return np.concatenate([[False], np.diff(self.opens) > BAR])

    def kept(self, which: NDArray[np.bool_]) -> Times:
        """Give some of the bars."""
        return Times(self.opens[which], self.day[which])


def _at(day: date, clock: time, zone: ZoneInfo | None = None) -> int:
    return int(datetime.combine(day, clock, zone or UTC).timestamp())


def _days() -> list[date]:
    return [FIRST_DAY + timedelta(days=n) for n in range((LAST_DAY - FIRST_DAY).days + 1)]


def _parts(calendar: str) -> list[tuple[int, int]]:
    """Give begin and end of every unbroken stretch of trading, in seconds since 1970 UTC."""
    if calendar == "24/7":
        return [(_at(day, time()), _at(day + timedelta(days=1), time())) for day in _days()]
    weekdays = [day for day in _days() if day.isoweekday() <= FRIDAY]
    if calendar == "24/5":
        evening = time(17)
        return [(_at(day - timedelta(days=1), evening, NEW_YORK), _at(day, evening, NEW_YORK)) for day in weekdays]
    if calendar == "none":
        opening, closing = FREIGHT_HOURS
        return [(_at(day, opening), _at(day, closing)) for day in weekdays if day not in FREIGHT_HOLIDAYS]
    bounds = pd.Timestamp(FIRST_DAY), pd.Timestamp(LAST_DAY)
    schedule = exchange_calendars.get_calendar(calendar, start=bounds[0], end=bounds[1]).schedule
    parts = []
    for row in schedule.itertuples():
        begin, end = int(row.open.timestamp()), int(row.close.timestamp())
        if pd.isna(row.break_start):
            parts.append((begin, end))
        else:
            parts += [(begin, int(row.break_start.timestamp())), (int(row.break_end.timestamp()), end)]
    return parts


def trading_times(calendar: str) -> Times:
    """Give the bars of two years on a calendar: an exchange's code, ``24/7``, ``24/5``, or ``none``.

    On ``none`` the hours and holidays are those of the invented freight hall, which no calendar knows.
    """
    parts = [np.arange(begin, end, BAR, dtype=np.int64) for begin, end in _parts(calendar)]
    number = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return Times(np.concatenate(parts), number)
