"""What every file of the zoo is: what is in it, how it is read, and the bars or the sentence that must come of it.

The bars are daily ones of the S&P 500 from December 2006 to June 2009, from the package arch, with prices rounded to
cents: they cross 1,000 both ways, so that thousands are written with and without marks, and hold setups of both sides.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any, Self
from zoneinfo import ZoneInfo

import numpy as np

from tests.outside.real_bars import sp500

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

PARTED_BY = "\t"
"""What stands between a date and a time of day that go into columns of their own."""
NAME = "SPX"
"""The instrument: what every file is called, whatever its ending."""


@dataclass(frozen=True)
class Bar:
    """A bar as it must come out: its day or the moment at which it opens, prices and volume."""

    opens: date | datetime
    open: float
    high: float
    low: float
    close: float
    volume: float | None

    @classmethod
    def of(cls, opens: date | datetime, prices: Iterable[float], volume: float | None) -> Self:
        first, high, low, close = prices
        return cls(opens, first, high, low, close, volume)

    @property
    def prices(self) -> tuple[float, float, float, float]:
        return self.open, self.high, self.low, self.close


@cache
def days() -> tuple[Bar, ...]:
    """Give the daily bars."""
    found = sp500()
    kept = (found.date >= np.datetime64("2006-12-01")) & (found.date <= np.datetime64("2009-06-30"))
    columns = [np.round(getattr(found, name)[kept], 2).tolist() for name in ("open", "high", "low", "close")]
    return tuple(
        Bar.of(*row)
        for row in zip(found.date[kept].tolist(), zip(*columns, strict=True), found.volume[kept].tolist(), strict=True)
    )


@cache
def quarters() -> tuple[Bar, ...]:
    """Give the same prices as bars of 15 minutes, 26 on each working day from 2 January 2007 on, in New York."""
    zone, day, slot = ZoneInfo("America/New_York"), date(2007, 1, 2), 0
    found = []
    for bar in days():
        opens = datetime.combine(day, time(9, 30), zone) + timedelta(minutes=15 * slot)
        found.append(replace(bar, opens=opens.astimezone(UTC)))
        slot += 1
        if slot == 26:
            slot, day = 0, day + timedelta(days=3 if day.weekday() == 4 else 1)
    return tuple(found)


@dataclass(frozen=True)
class Animal:
    """A file: its ending and content, the options to read it with, and what must come of it."""

    ending: str
    content: bytes
    bars: tuple[Bar, ...] = ()
    refused: str = ""
    """The end of the sentence by which it is refused, empty where it is read."""
    notes: int = 0
    """Rows that are refused by themselves."""
    options: dict[str, object] = field(default_factory=dict)


ZOO: dict[str, Callable[[], Animal]] = {}
"""What makes each file that is read, by what is odd about it."""
OUTSIDE: dict[str, Callable[[], Animal]] = {}
"""The same of each file that is refused."""


def animal(name: str, zoo: dict[str, Callable[[], Animal]] = ZOO) -> Callable[[Callable[[], Animal]], None]:
    """Put what makes a file into the zoo."""

    def keep(made: Callable[[], Animal]) -> None:
        assert name not in zoo
        zoo[name] = made

    return keep


def outsider(name: str) -> Callable[[Callable[[], Animal]], None]:
    """Put what makes a file that must be refused beside the zoo."""
    return animal(name, OUTSIDE)


# --- how numbers are written ------------------------------------------------------------------------------------------


def english(value: float, decimals: int = 2) -> str:
    """1,418.30."""
    return f"{value:,.{decimals}f}"


def german(value: float, decimals: int = 2) -> str:
    """1.418,30."""
    return english(value, decimals).translate(str.maketrans(",.", ".,"))


def comma(value: float, decimals: int = 2) -> str:
    """1418,30."""
    return f"{value:.{decimals}f}".replace(".", ",")


def point(value: float, decimals: int = 2) -> str:
    """1418.30."""
    return f"{value:.{decimals}f}"


def apart(mark: str, decimal: str = ",") -> Callable[[float], str]:
    """Give 1 418,30 with any mark between thousands."""
    return lambda value: f"{value:,.2f}".replace(".", "!").replace(",", mark).replace("!", decimal)


def whole(value: float | None) -> str:
    """2800980000."""
    return "" if value is None else f"{value:.0f}"


def millions(value: float | None) -> str:
    """2800.98M."""
    return "-" if value is None else f"{value / 1e6:.2f}M"


def billions(value: float | None) -> str:
    """2.80098B."""
    return "-" if value is None else f"{value / 1e9:.5f}B"


# --- how tables are written -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sheet:
    """A way to write a table as text."""

    names: tuple[str, ...] = ("Date", "Open", "High", "Low", "Close", "Volume")
    when: str | Callable[[Any], str] = "%Y-%m-%d"
    price: Callable[[float], str] = point
    volume: Callable[[float | None], str] = whole
    between: str = ","
    quote: str = ""
    end: str = "\n"
    newest_first: bool = False
    above: str = ""
    below: str = ""
    more: Callable[[Bar], tuple[str, ...]] = lambda _: ()
    """The content of the columns after the volume."""
    zone: str = "UTC"
    order: str = "ohlc"
    """The order of the prices, all four of them."""

    def rows(self, bars: tuple[Bar, ...]) -> Iterator[list[str]]:
        for bar in reversed(bars) if self.newest_first else bars:
            opens = bar.opens.astimezone(ZoneInfo(self.zone)) if isinstance(bar.opens, datetime) else bar.opens
            when = opens.strftime(self.when) if isinstance(self.when, str) else self.when(opens)
            prices = dict(zip("ohlc", bar.prices, strict=True))
            in_order = (self.price(prices[which]) for which in self.order)
            yield [*when.split(PARTED_BY), *in_order, self.volume(bar.volume), *self.more(bar)]

    def text(self, bars: tuple[Bar, ...]) -> str:
        lines = [self.names, *self.rows(bars)]
        body = (self.between.join(f"{self.quote}{cell}{self.quote}" for cell in line) for line in lines)
        return self.above + self.end.join(body) + self.end + self.below


GERMAN = ("Datum", "Eröffnung", "Hoch", "Tief", "Schluss", "Volumen")
FRENCH = ("Date", "Ouverture", "Plus haut", "Plus bas", "Clôture", "Volume")
SPANISH = ("Fecha", "Apertura", "Máximo", "Mínimo", "Cierre", "Volumen")
ITALIAN = ("Data", "Apertura", "Massimo", "Minimo", "Chiusura", "Volume")


def table(sheet: Sheet, encoding: str = "utf-8", ending: str = "csv", **more: object) -> Animal:
    """Write the daily bars as text."""
    return Animal(ending, sheet.text(days()).encode(encoding), bars=days(), **more)  # type: ignore[arg-type]  # fields


def intraday(sheet: Sheet, encoding: str = "utf-8", ending: str = "csv", **more: object) -> Animal:
    """Write the bars of 15 minutes as text."""
    return Animal(ending, sheet.text(quarters()).encode(encoding), bars=quarters(), **more)  # type: ignore[arg-type]  # fields


def small(text: str, refused: str, encoding: str = "utf-8", ending: str = "csv", **options: object) -> Animal:
    """Give a short file that must be refused."""
    return Animal(ending, text.encode(encoding), refused=refused, options=options)
