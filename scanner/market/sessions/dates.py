"""The user's dates: moments at which a price may jump, such as a report, written as CSV."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from io import StringIO
from operator import attrgetter
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from scanner.clocks import SECOND
from scanner.market.sessions.calendars import FIRST_YEAR, LAST_YEAR

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

EVERYTHING = "all"
"""The word that stands for every instrument."""
COLUMNS = ("time", "instrument", "what")


@dataclass(frozen=True, slots=True)
class Dated:
    """An event at a moment, or on a day; then it lasts from midnight to midnight.

    ``begin`` and ``end`` are nanoseconds since 1970 UTC. ``whom`` is the instrument or group concerned, or ``all``.
    ``day`` is its day as it was written: in UTC, one that begins at midnight in Berlin begins on the day before.
    """

    begin: int
    end: int
    whom: str
    what: str
    day: date

    def away(self, moment: int) -> int:
        """Give how long a moment lies before this begins or after it ended, in nanoseconds; 0 while it lasts."""
        return max(self.begin - moment, moment - self.end, 0)


@dataclass(frozen=True)
class Dates:
    """The contents of a file of dates, in its order; ``troubles`` has a sentence for each thing that could not be read.

    ``found`` is None if no dates are known at all: no file is named, or it cannot be read.
    """

    found: tuple[Dated, ...] | None = None
    troubles: tuple[str, ...] = ()

    def of(self, instrument: str, group: str) -> tuple[Dated, ...] | None:
        """Give those that concern an instrument; None if no dates are known at all."""
        if self.found is None:
            return None
        named = {place for name in (instrument, group, EVERYTHING) for place in self._places.get(name, ())}
        return tuple(self.found[place] for place in sorted(named))

    @cached_property
    def _places(self) -> Mapping[str, Sequence[int]]:
        """Where the dates of each instrument and group are: a long list has many of either."""
        places: dict[str, list[int]] = {}
        for place, each in enumerate(self.found or ()):
            places.setdefault(each.whom, []).append(place)
        return places

    def past(self, now: int) -> date | None:
        """Give the last known day if it lies before ``now`` (nanoseconds since 1970 UTC); else None."""
        last = max(self.found or (), key=attrgetter("end"), default=None)
        return None if last is None or last.end > now else last.day


def parsed(text: str, zone: str) -> Dates:
    """Read dates from CSV with a header and the columns time, instrument and what, in any order.

    A time is a day (2026-06-12) or a moment (2026-06-12T14:30), in ``zone`` if it names none. A mistake in a row is
    reported with its line; the other rows count.
    """
    lines = csv.reader(StringIO(text, newline=""), skipinitialspace=True, strict=True)
    found: list[Dated] = []
    troubles: list[str] = []
    try:
        header = [name.strip().lower() for name in next(lines, [])]
        if any(header.count(name) != 1 for name in COLUMNS):
            return Dates(troubles=(f"the first line must name the columns {', '.join(COLUMNS)}; no dates are known",))
        for cells in lines:
            if not any(cell.strip() for cell in cells):
                continue
            try:
                found.append(_dated(cells, header, ZoneInfo(zone)))
            except ValueError as problem:
                troubles.append(f"line {lines.line_num} {problem}; it is left out")
    except csv.Error as problem:
        troubles.append(f"line {lines.line_num} is not CSV ({problem}); it and all that follows are left out")
    return Dates(tuple(found), tuple(troubles))


def concerning_nobody(dates: Iterable[Dated], names: Iterable[str]) -> list[str]:
    """List the names in a file of dates, each once, that are not in ``names`` (instruments and groups)."""
    known = {EVERYTHING, *names}
    return list(dict.fromkeys(each.whom for each in dates if each.whom not in known))


def _dated(cells: Sequence[str], header: Sequence[str], zone: ZoneInfo) -> Dated:
    if len(cells) != len(header):
        raise ValueError(f"has {len(cells)} cells, not {len(header)}; quote a text that has commas")
    time, whom, what = (cells[header.index(name)].strip() for name in COLUMNS)
    for name, cell in zip(COLUMNS, (time, whom, what), strict=True):
        if not cell:
            raise ValueError(f"has no {name}")
    begin, end, day = _span(time, zone)
    return Dated(begin, end, EVERYTHING if whom.lower() == EVERYTHING else whom, what, day)


def _span(text: str, zone: ZoneInfo) -> tuple[int, int, date]:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f'has the time "{text}"; write a day as 2026-06-12, or a moment as 2026-06-12T14:30') from None
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise ValueError(f'has the time "{text}", which lies outside the years {FIRST_YEAR} to {LAST_YEAR}')
    begin = _nanoseconds(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return begin, begin, moment.date()
    return begin, _nanoseconds(datetime.combine(day + timedelta(days=1), datetime.min.time(), zone)), day


def _nanoseconds(moment: datetime) -> int:
    return int(moment.timestamp()) * SECOND
