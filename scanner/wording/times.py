"""Moments in words, in the user's zone and beside it in the exchange's, and the names of bars."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from scanner.clocks import HOUR, SECOND, zone_named


def known_zone(name: str) -> str:
    """Give the name of a time zone back; ValueError as ``zone_named``."""
    zone_named(name)
    return name


def in_zone(nanoseconds: int, zone: str) -> datetime:
    """Give a moment, in nanoseconds since 1970 UTC, as the clocks of a zone show it, to the second."""
    return datetime.fromtimestamp(nanoseconds // SECOND, ZoneInfo(zone))


def moment(nanoseconds: int, user_zone: str, exchange_zone: str | None = None) -> str:
    """Say when something was, in the user's time and, if that differs, in the exchange's.

    ``nanoseconds`` count from 1970 UTC. A zone is named by its city; the second day is named only if it is another one.

    >>> moment(1_772_467_200_000_000_000, "Europe/Berlin", "America/New_York")
    'Mon 2 Mar 2026 17:00 Berlin (11:00 New York)'
    >>> moment(1_772_467_200_000_000_000, "UTC", "Asia/Tokyo")
    'Mon 2 Mar 2026 16:00 UTC (Tue 3 Mar 01:00 Tokyo)'
    >>> moment(1_792_888_200_000_000_000, "Europe/Berlin", "Europe/Paris")
    'Sun 25 Oct 2026 02:30 Berlin (00:30 UTC)'
    """
    own = in_zone(nanoseconds, user_zone)
    text = f"{date(nanoseconds, user_zone)} {_clock(own)} {city(user_zone)}"
    there_zone = exchange_zone or user_zone
    there = in_zone(nanoseconds, there_zone)
    if there.utcoffset() == own.utcoffset():
        # An hour that a clock repeats is told apart by UTC.
        twice = own.replace(fold=0).utcoffset() != own.replace(fold=1).utcoffset()
        return f"{text} ({_clock(own.astimezone(UTC))} UTC)" if twice else text
    day = "" if there.date() == own.date() else f"{there:%a} {there.day} {there:%b} "
    return f"{text} ({day}{_clock(there)} {city(there_zone)})"


def day_and_time(text: str, zone: str) -> str:
    """Say when something will be, given in RFC 3339, without the year.

    >>> day_and_time("2026-03-02T16:45:00Z", "Europe/Berlin")
    'Mon 2 Mar 17:45 Berlin'
    """
    own = datetime.fromisoformat(text).astimezone(ZoneInfo(zone))
    return f"{own:%a} {own.day} {own:%b} {_clock(own)} {city(zone)}"


def date(nanoseconds: int, zone: str) -> str:
    """Name the day of a moment in a zone.

    >>> date(1_772_467_200_000_000_000, "UTC")
    'Mon 2 Mar 2026'
    """
    own = in_zone(nanoseconds, zone)
    return f"{own:%a} {own.day} {own:%b %Y}"


def closing_date(close: int) -> str:
    """Name the day, in UTC, that a bar closed at: at midnight it is the one that ends.

    >>> closing_date(1_772_409_600_000_000_000)  # 2026-03-02 at midnight
    'Sun 1 Mar 2026'
    """
    return date(close - 1, "UTC")


def short(nanoseconds: int, zone: str) -> str:
    """Give a moment in few letters, in a zone.

    >>> short(1_772_467_200_000_000_000, "Europe/Berlin")
    '2 Mar 17:00'
    """
    own = in_zone(nanoseconds, zone)
    return f"{own.day} {own:%b %H:%M}"


def is_daily(timeframe: str) -> bool:
    """Say whether a bar of a timeframe is a day or a week."""
    return timeframe in {"1d", "1w"}


def named_by(open_time: Any, close_time: Any, timeframe: str) -> Any:  # noqa: ANN401 - a time or an array of them
    """Give the moment that names a bar, or bars: the middle of a day, the open of a week, else the close."""
    if not is_daily(timeframe):
        return close_time
    # A session that opens on Sunday evening is Monday's. The longest day has 25 hours, when clocks are put back.
    length = close_time - open_time
    return open_time + length // 2 * (length <= 25 * HOUR)


def bar_time(open_time: int, close_time: int, zone: str, timeframe: str) -> str:
    """Name a bar as people do: the day of a daily one, the first day of a weekly one, else the minute of its close."""
    moment = in_zone(named_by(open_time, close_time, timeframe), zone)
    return moment.date().isoformat() if is_daily(timeframe) else moment.replace(tzinfo=None).isoformat(" ", "minutes")


def parse_time(text: str) -> int:
    """Read an RFC 3339 time back into nanoseconds since 1970 UTC."""
    return int(datetime.fromisoformat(text).timestamp()) * SECOND


def city(zone: str) -> str:
    """Give the city after which a zone is named.

    >>> city("America/Argentina/Buenos_Aires")
    'Buenos Aires'
    """
    return zone.rpartition("/")[2].replace("_", " ")


def _clock(when: datetime) -> str:
    return f"{when:%H:%M:%S}" if when.second else f"{when:%H:%M}"
