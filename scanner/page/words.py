"""Short texts of the pages: times, results in R, and addresses."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from scanner.events import rfc3339
from scanner.market.digits import grouped, with_minus
from scanner.wording.times import in_zone, is_daily, moment, named_by, short
from scanner.wording.words import compared, name, number, number_of, phrase, sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


def bar_label(open_time: int, close_time: int, zone: str, timeframe: str) -> str:
    """Name a bar as ``bar_time`` does, with the month in letters.

    >>> bar_label(1_772_406_000_000_000_000, 1_772_492_400_000_000_000, "UTC", "1d")
    '2 Mar 2026'
    """
    own = in_zone(named_by(open_time, close_time, timeframe), zone)
    return f"{own.day} {own:%b %Y}" if is_daily(timeframe) else f"{own.day} {own:%b %Y %H:%M}"


def in_r(value: str | Decimal) -> str:
    """Write a result in R with its sign.

    >>> in_r("-0.40"), in_r(Decimal("1.5"))
    ('−0.40 R', '+1.50 R')
    """
    return with_minus(f"{Decimal(value):+.2f} R")


def address(path: str, **asked: object) -> str:
    """Give an address of the page with what is asked for; what has no value is left out."""
    given = {name: value for name, value in asked.items() if value}
    return f"{path}?{urlencode(given, errors='surrogatepass')}" if given else path


def why_address(instrument: str, timeframe: str, at: int | None = None, path: str = "/why") -> str:
    """Give the address at which a bar is explained; the last one where no close is given."""
    return address(path, instrument=instrument, timeframe=timeframe, at=None if at is None else rfc3339(at))


def underscored(text: str) -> str:
    """Write a name of our own as words."""
    return text.replace("_", " ")


FILTERS: Mapping[str, Callable[..., Any]] = {
    "short": short,
    "full": moment,
    "iso": rfc3339,
    "in_r": in_r,
    "counted": number_of,
    "name": name,
    "phrase": phrase,
    "grouped": grouped,
    "sentence": sentence,
    "measured": number,
    "plainly": underscored,
    "limit": compared,
    "minus": with_minus,
}
