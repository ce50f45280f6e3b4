"""Real bars, in files such as people have: these are mutated.

Daily bars are those of ``tests.outside.real_bars``, prices rounded to cents. No open data set of bars within the day is
available: the bars of 15 minutes have real daily prices and real trading days, but invented times of day.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from functools import cache, cached_property
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from tests.adapters.zoo.animals import FRENCH, GERMAN, Bar, Sheet, apart, english, german
from tests.outside.real_bars import every_series

if TYPE_CHECKING:
    from random import Random

NEW_YORK = "America/New_York"
CALENDAR = "XNYS"
"""All the series are American: with this calendar the times of a file can be compared with sessions."""
LENGTH = 320
"""Bars of a file: enough for finding setups in it."""
A_DAY = 26
"""Bars of 15 minutes from 9:30 to 16:00."""
LAST_WHOLE_MONTH = 6
"""Up to June no day of the New York Stock Exchange ends early."""


@dataclass(frozen=True)
class RealFile:
    """Bars, the oldest first, and how they are written; ``decimals`` are those of its prices."""

    name: str
    bars: tuple[Bar, ...]
    sheet: Sheet
    encoding: str = "utf-8"
    options: dict[str, object] = field(default_factory=dict)

    @property
    def in_order(self) -> tuple[Bar, ...]:
        """Give the bars in the order of the lines."""
        return self.bars[::-1] if self.sheet.newest_first else self.bars

    @property
    def first_line(self) -> int:
        """Give the number of the line of the first row."""
        return self.sheet.above.count("\n") + 2

    @cached_property
    def _cells(self) -> list[list[str]]:
        return list(self.sheet.rows(self.bars))

    def cells(self) -> list[list[str]]:
        """Give the cells of each row, which may be changed."""
        return [row.copy() for row in self._cells]

    def lines(self, cells: list[list[str]]) -> list[str]:
        """Write rows as lines, without line ends."""
        quote = self.sheet.quote
        return [self.sheet.between.join(f"{quote}{cell}{quote}" for cell in row) for row in cells]

    def text(self, lines: list[str]) -> str:
        """Write lines below the header."""
        (header,) = self.lines([list(self.sheet.names)])
        return self.sheet.above + "".join(line + self.sheet.end for line in (header, *lines))

    def content(self, cells: list[list[str]]) -> bytes:
        """Write rows below the header, as bytes."""
        return self.text(self.lines(cells)).encode(self.encoding)


ENGLISH = ("Date", "Open", "High", "Low", "Close", "Volume")
WITHIN = ("time", "open", "high", "low", "close", "volume")
LOCAL = {"tz": NEW_YORK}

DAILY: dict[str, tuple[Sheet, str]] = {
    "plain": (Sheet(), "utf-8"),
    "German": (Sheet(names=GERMAN, when="%d.%m.%Y", price=german, between=";"), "cp1252"),
    "French, no-break spaces": (
        Sheet(names=FRENCH, when="%d/%m/%Y", price=apart("\u00a0"), between=";", end="\r\n"),
        "utf-8",
    ),
    "spreadsheet with sep": (
        Sheet(names=GERMAN, when="%d.%m.%Y", price=german, between=";", end="\r\n", above="sep=;\r\n"),
        "utf-8-sig",
    ),
    "American, quoted, newest first": (Sheet(when="%m/%d/%Y", price=english, quote='"', newest_first=True), "utf-8"),
    "midnights, UTF-16 with tabs": (Sheet(when="%Y-%m-%d %H:%M:%S", between="\t", end="\r\n"), "utf-16"),
}
QUARTERS: dict[str, Sheet] = {
    "moments in UTC": Sheet(names=WITHIN, when="%Y-%m-%dT%H:%M:%SZ"),
    "clock times of New York": Sheet(names=WITHIN, when="%Y-%m-%d %H:%M", zone=NEW_YORK),
    "clock times, German": Sheet(names=GERMAN, when="%d.%m.%Y %H:%M", price=german, between=";", zone=NEW_YORK),
}
WINDOWS = 4
"""Number of periods from which files are made, for each way to write them."""


@cache
def real_file(number: int) -> RealFile:
    """Give one of the files."""
    ways = [*DAILY, *QUARTERS]
    way, window = ways[number % len(ways)], number // len(ways)
    symbol, bars = _window(window * len(ways) + number % len(ways))
    options: dict[str, object] = {"calendar": CALENDAR, **LOCAL}
    if way in DAILY:
        sheet, encoding = DAILY[way]
        return RealFile(f"{symbol}, {way}", bars, sheet, encoding, options)
    return RealFile(f"{symbol}, {way}", _quarters(bars), QUARTERS[way], "utf-8", options)


FILES = WINDOWS * (len(DAILY) + len(QUARTERS))


def any_file(random: Random) -> RealFile:
    """Give a random one."""
    return real_file(random.randrange(FILES))


def file_within_days(random: Random) -> RealFile:
    """Give one whose bars are shorter than a day."""
    ways = len(DAILY) + len(QUARTERS)
    return real_file(random.randrange(WINDOWS) * ways + len(DAILY) + random.randrange(len(QUARTERS)))


def _window(number: int) -> tuple[str, tuple[Bar, ...]]:
    """Give bars of one of the series, from a different period for each number."""
    series = {symbol: found for symbol, found in every_series().items() if len(found) > LENGTH}
    symbol = list(series)[number % len(series)]
    found = series[symbol]
    begin = (number * 971) % (len(found) - LENGTH)
    part = slice(begin, begin + LENGTH)
    columns = [np.round(getattr(found, name)[part], 2).tolist() for name in ("open", "high", "low", "close")]
    rows = zip(found.date[part].tolist(), zip(*columns, strict=True), found.volume[part].tolist(), strict=True)
    return symbol, tuple(Bar.of(*row) for row in rows)


def _quarters(days: tuple[Bar, ...]) -> tuple[Bar, ...]:
    """Give bars the times of quarters of an hour, on days on which there was trading all day."""
    dates = every_series()["sp500"].date.tolist()
    first = next(index for index, day in enumerate(dates) if day.year == days[0].opens.year and day.month == 1)
    open_ = datetime.combine(dates[first], time(9, 30), ZoneInfo(NEW_YORK))
    found = []
    for index, bar in enumerate(days):
        day = dates[first + index // A_DAY]
        assert day.month <= LAST_WHOLE_MONTH
        opens = datetime.combine(day, open_.timetz()) + timedelta(minutes=15 * (index % A_DAY))
        found.append(replace(bar, opens=opens.astimezone(UTC)))
    return tuple(found)
