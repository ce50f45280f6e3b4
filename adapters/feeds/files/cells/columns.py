"""Which column of a file is which, by the names in its header."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from adapters.feeds.files.trouble import UnreadableFileError, quoted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

PRICES = ("open", "high", "low", "close")
NUMBERS = (*PRICES, "volume")

# Names without case, spaces and marks. An adjusted close is none of them: the other prices are not adjusted with it.
NAMES = {
    "open": {"open", "o", "openprice", "priceopen"},
    "high": {"high", "h", "highprice", "pricehigh"},
    "low": {"low", "l", "lowprice", "pricelow"},
    "close": {"close", "c", "closeprice", "priceclose"},
    "volume": {"volume", "vol", "v", "volumetraded"},
}
OPEN_TIMES = {"opentime", "timeopen", "opentimestamp", "opendatetime", "starttime", "timestart"}
CLOSE_TIMES = {"closetime", "timeclose", "closetimestamp", "closedatetime", "endtime", "timeend"}
MOMENTS = {
    "datetime",
    "dateandtime",
    "t",
    "indexlevel0",  # the nameless index of a table written by pandas
} | {
    name + unit
    for name in ("timestamp", "ts", "epoch", "unix", "unixtime")
    for unit in ("", "s", "ms", "us", "ns", "utc")
}
DATES = {"date", "day", "tradedate", "tradingdate"}
TIMES = {"time", "timeofday", "timeutc"}
# In the order of preference where there are several.
SYMBOLS = ("symbol", "ticker", "instrument", "sym", "instrumentid", "security", "contract", "pair", "name", "isin")
SHOWN = 12


@dataclass(frozen=True, slots=True)
class Columns:
    """Where things stand, as indices into the header.

    ``time`` has two entries where date and time of day stand apart. ``stamp`` says which end of a bar the time
    marks, as the user or the name of the column says.
    """

    names: tuple[str, ...]
    time: tuple[int, ...]
    open: int
    high: int
    low: int
    close: int
    volume: int | None
    symbol: int | None
    stamp: Literal["open", "close"]

    @property
    def numbers(self) -> dict[str, int]:
        """Give the columns of numbers there are, by what they hold."""
        found = {name: getattr(self, name) for name in NUMBERS}
        return {name: index for name, index in found.items() if index is not None}

    @property
    def wanted(self) -> list[int]:
        """Give the indices of all columns that are read."""
        symbol = [] if self.symbol is None else [self.symbol]
        return [*self.time, *self.numbers.values(), *symbol]


def find_columns(names: Sequence[str], stamp: Literal["open", "close"], path: Path) -> Columns:
    """Find the columns by name; UnreadableFileError where one is missing or could be either of two."""
    plain = [re.sub(r"[\W_]+", "", name).lower() for name in names]

    def named(wanted: set[str], what: str) -> int | None:
        found = [index for index, name in enumerate(plain) if name in wanted]
        if len(found) > 1:
            raise UnreadableFileError(
                f"{path}: {quoted(names[found[0]])} and {quoted(names[found[1]])} could both be the {what}; "
                "rename or remove one of them"
            )
        return found[0] if found else None

    opens, closes = named(OPEN_TIMES, "time"), named(CLOSE_TIMES, "time")
    moment, date, time = named(MOMENTS, "time"), named(DATES, "date"), named(TIMES, "time")
    apart = tuple(index for index in (date, time) if index is not None)
    usual = (moment,) if moment is not None else apart
    marked, chosen = stamp, usual
    if stamp == "open" and opens is not None:
        chosen = (opens,)
    elif closes is not None and (stamp == "close" or not usual):
        marked, chosen = "close", (closes,)
    elif opens is not None and not usual:
        raise UnreadableFileError(
            f"{path}: its times are those of the open, going by the name {quoted(names[opens])}; "
            "leave out --stamp close"
        )
    numbers = {what: named(wanted, what) for what, wanted in NAMES.items()}
    missing = [] if chosen else ["time"]
    missing += [what for what in PRICES if numbers[what] is None]
    if missing and "specversion" in plain:
        raise UnreadableFileError(f"{path}: it holds events, not bars; keep it in another folder than the bars")
    if missing:
        raise _missing(names, missing, path)
    symbol = next((plain.index(name) for name in SYMBOLS if name in plain), None)
    return Columns(tuple(names), chosen, symbol=symbol, stamp=marked, **numbers)  # type: ignore[arg-type]  # none missing


def _missing(names: Sequence[str], missing: list[str], path: Path) -> UnreadableFileError:
    figures = sum(not set(name) - set("0123456789.,:/TZ+- ") for name in names if name)
    if figures * 2 > len(names):
        return UnreadableFileError(
            f"{path}: there is no header, the file begins with numbers; "
            "put the names of the columns on the first line, such as time,open,high,low,close,volume"
        )
    shown = ", ".join([quoted(name, 30) for name in names[:SHOWN]] + ["…"] * (len(names) > SHOWN))
    return UnreadableFileError(
        f"{path}: no column is named {', '.join(missing)}; found {shown}; "
        "a file of bars has columns for time (or date), open, high, low and close"
    )
