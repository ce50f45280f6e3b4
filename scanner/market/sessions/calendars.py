"""Calendars: on which days, and from when to when, an instrument trades."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from scanner.clocks import SECOND, zone_named

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Times = NDArray[np.int64]

EPOCH = date(1970, 1, 1)
FIRST_YEAR, LAST_YEAR = 1900, 2200
NEW_YORK_EVENING = time(17)
FRIDAY = 5
OWN = ("none", "24/7", "24/5")
"""Calendars that need no library."""


@dataclass(frozen=True, slots=True)
class Sessions:
    """The sessions of some years, oldest first; times in nanoseconds since 1970 UTC.

    ``day`` is the calendar day that names a session, counted from 1970-01-01, and ``midnight`` its start in the
    exchange's zone. A session with a pause (a lunch break) has two parts; ``part_session`` gives the session of each
    part.
    """

    day: Times
    midnight: Times
    open: Times
    close: Times
    part_open: Times
    part_close: Times
    part_session: Times


@dataclass(frozen=True, slots=True)
class Calendar:
    """When an instrument trades. ``known`` is false if its sessions are unknown.

    Then its days are those of ``tz``, and a bar may be missing for any reason.
    """

    name: str
    tz: str
    known: bool
    of_years: Callable[[int, int], Sessions]

    def __reduce__(self) -> tuple[Any, tuple[Any, ...]]:
        """Travel to another process by name, or with its sessions where it holds them."""
        if isinstance(self.of_years, Held):
            return Calendar, (self.name, self.tz, self.known, self.of_years)
        return calendar_named, (self.name, self.tz)

    def held(self, first_year: int, last_year: int) -> Calendar:
        """Hold the sessions of some years, where they come from a library that takes long to load; no others then."""
        if self.name in OWN:
            return self
        return replace(self, of_years=Held(self.of_years(first_year, last_year)))

    @property
    def never_closes(self) -> bool:
        """Whether it trades around the clock, so that its days have no opening and no close."""
        return self.name == "24/7"

    @property
    def days_begin(self) -> str:
        """When a day begins, if it lasts until the next one; empty if its session has an opening of its own."""
        at = f"{NEW_YORK_EVENING:%H:%M}" if self.name == "24/5" else "midnight"
        return f"{at} in {self.tz}" if self.name in OWN else ""


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """Sessions that are known by heart."""

    sessions: Sessions

    def __call__(self, first_year: int, last_year: int) -> Sessions:
        """Give those of some years."""
        every = self.sessions
        first, last = ((date(year, 1, 1) - EPOCH).days for year in (first_year, last_year + 1))
        begin, end = np.searchsorted(every.day, [first, last])
        parts = slice(*np.searchsorted(every.part_session, [begin, end]))
        return Sessions(
            every.day[begin:end],
            every.midnight[begin:end],
            every.open[begin:end],
            every.close[begin:end],
            every.part_open[parts],
            every.part_close[parts],
            every.part_session[parts] - begin,
        )


def _instant(day: date, at: time, zone: ZoneInfo) -> int:
    """Give the moment of a local time, the earlier one if that time occurs twice."""
    return int(datetime.combine(day, at, zone).astimezone(UTC).timestamp()) * SECOND


def _days(first_year: int, last_year: int) -> list[date]:
    first, last = date(first_year, 1, 1), date(last_year, 12, 31)
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def _unbroken(day: Times, midnight: Times, opens: Times, closes: Times) -> Sessions:
    return Sessions(day, midnight, opens, closes, opens, closes, np.arange(len(day), dtype=np.int64))


@cache
def _around_the_clock(tz: str) -> Callable[[int, int], Sessions]:
    zone = ZoneInfo(tz)

    @cache
    def of_years(first_year: int, last_year: int) -> Sessions:
        days = _days(first_year, last_year)
        edges = np.array([_instant(day, time(), zone) for day in [*days, days[-1] + timedelta(days=1)]], dtype=np.int64)
        numbers = np.array([(day - EPOCH).days for day in days], dtype=np.int64)
        return _unbroken(numbers, edges[:-1], edges[:-1], edges[1:])

    return of_years


@cache
def _five_days(first_year: int, last_year: int) -> Sessions:
    zone = ZoneInfo("America/New_York")
    days = [day for day in _days(first_year, last_year) if day.isoweekday() <= FRIDAY]
    evening_before = [_instant(day - timedelta(days=1), NEW_YORK_EVENING, zone) for day in days]
    return _unbroken(
        np.array([(day - EPOCH).days for day in days], dtype=np.int64),
        np.array([_instant(day, time(), zone) for day in days], dtype=np.int64),
        np.array(evening_before, dtype=np.int64),
        np.array([_instant(day, NEW_YORK_EVENING, zone) for day in days], dtype=np.int64),
    )


def _of_exchange(name: str, zone: ZoneInfo, bounds: tuple[Any, Any]) -> Callable[[int, int], Sessions]:
    @cache
    def of_years(first_year: int, last_year: int) -> Sessions:
        import exchange_calendars  # noqa: PLC0415 - takes most of a second, and is seldom needed
        import pandas as pd  # noqa: PLC0415 - as above

        first, last = pd.Timestamp(first_year, 1, 1), pd.Timestamp(last_year, 12, 31)
        if bounds[0] is not None:
            first = max(first, bounds[0])
        if bounds[1] is not None:
            last = min(last, bounds[1])
        if first >= last:
            # The library does not cover these years.
            nothing = np.zeros(0, dtype=np.int64)
            return _unbroken(nothing, nothing, nothing, nothing)
        schedule = exchange_calendars.get_calendar(name, start=first, end=last).schedule
        opens, closes, pauses, resumes = (
            pd.DatetimeIndex(schedule[key]).tz_convert("UTC").tz_localize(None).as_unit("ns").asi8
            for key in ("open", "close", "break_start", "break_end")
        )
        paused = schedule["break_start"].notna().to_numpy()
        numbers = schedule.index.to_numpy().astype("datetime64[D]").astype(np.int64)
        midnight = np.array([_instant(EPOCH + timedelta(days=int(n)), time(), zone) for n in numbers], dtype=np.int64)
        which = np.arange(len(numbers), dtype=np.int64)
        part_open = np.concatenate([opens, resumes[paused]])
        order = np.argsort(part_open, kind="stable")
        part_close = np.concatenate([np.where(paused, pauses, closes), closes[paused]])
        part_session = np.concatenate([which, which[paused]])
        return Sessions(numbers, midnight, opens, closes, part_open[order], part_close[order], part_session[order])

    return of_years


def calendar_named(name: str, tz: str = "UTC") -> Calendar:
    """Find a calendar: ``none``, ``24/7``, ``24/5`` or an exchange by its ISO 10383 code, such as XNYS.

    ``tz`` is the zone in which the days of ``none`` and ``24/7`` begin. ``24/5`` opens on Sunday and closes on
    Friday at 17:00 in New York, where its days change. ValueError says what is wrong with a name or zone.
    """
    zone_named(tz)
    if name in {"none", "24/7"}:
        return Calendar(name, tz, known=name == "24/7", of_years=_around_the_clock(tz))
    if name == "24/5":
        return Calendar(name, "America/New_York", known=True, of_years=_five_days)
    return _exchange(name)


@cache
def _exchange(name: str) -> Calendar:
    import exchange_calendars  # noqa: PLC0415 - takes most of a second, and is seldom needed

    known = exchange_calendars.get_calendar_names(include_aliases=True)
    if name not in known:
        near = ", ".join(sorted(code for code in known if code[:2] == name[:2])) or "XNYS, XLON, XETR"
        raise ValueError(f"there is no calendar {name!r}; write none, 24/7, 24/5 or an exchange code such as {near}")
    try:
        usual = exchange_calendars.get_calendar(name)
    except Exception as problem:
        # Some of the library's calendars are unfinished or do not agree with every release of pandas.
        what = " ".join(str(problem).split())[:80] or type(problem).__name__
        raise ValueError(
            f"the calendar {name} cannot be built by the installed exchange_calendars: {what}"
        ) from problem
    bounds = (usual.bound_min(), usual.bound_max())
    return Calendar(name, str(usual.tz), known=True, of_years=_of_exchange(name, ZoneInfo(str(usual.tz)), bounds))
