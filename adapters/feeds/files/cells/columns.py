"""Finding the columns of a file by the names in its header, or as the user says."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Literal

from adapters.feeds.files.cells.names import (
    CLOSE_TIMES,
    DATES,
    MOMENTS,
    NAMELESS,
    NAMES,
    OPEN_TIMES,
    PANDAS_INDEX,
    SYMBOLS,
    TIMES,
    is_other_volume,
    plain,
    without_zone,
)
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from adapters.feeds.raw_rows import NUMBERS, PRICES

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from pathlib import Path

    from adapters.feeds.files.trouble import ReadingOptions

SHOWN = 12


class NoColumnsError(UnreadableFileError):
    """The names are not the header of a table of bars; ``found`` is how many of its columns they include."""

    def __init__(self, text: str, found: int) -> None:
        super().__init__(text)
        self.found = found


@dataclass(frozen=True)
class Columns:
    """The positions of the columns, as indices into the header.

    ``time`` has two entries if date and time of day are separate. ``stamp`` is the end of a bar that the time marks, as
    the user or the name of the column says. ``zone`` is the zone in the name: ``UTC``, empty, or a word that does not
    identify one.
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
    zone: str = ""
    spare_volume: int | None = None
    """A count of price changes, which replaces a volume that is always 0."""

    @cached_property
    def numbers(self) -> Mapping[str, int]:
        """Give the columns of numbers that exist, by role."""
        found = {name: getattr(self, name) for name in NUMBERS}
        return {name: index for name, index in found.items() if index is not None}

    @cached_property
    def wanted(self) -> Sequence[int]:
        """Give the indices of all columns that are read."""
        symbol = [] if self.symbol is None else [self.symbol]
        return (*self.time, *self.numbers.values(), *symbol)

    @property
    def time_name(self) -> str:
        """Name the column of times, or both columns."""
        return " + ".join(self.names[index] or f"number {index + 1}" for index in self.time)


def find_columns(names: Sequence[str], options: ReadingOptions, path: Path) -> Columns:
    """Find the columns by name; UnreadableFileError if one is missing or ambiguous."""
    try:
        return _found(tuple(names), options)
    except NoColumnsError as problem:
        raise NoColumnsError(f"{path}: {problem}", problem.found) from None
    except UnreadableFileError as problem:
        raise UnreadableFileError(f"{path}: {problem}") from None


@lru_cache(64)
def _found(names: tuple[str, ...], options: ReadingOptions) -> Columns:
    """Find the columns once for all files with the same header."""
    return _Header(names, options).columns()


class _Header:
    """The column names of a file, and what the user says about them; its errors do not name the file."""

    def __init__(self, names: tuple[str, ...], options: ReadingOptions) -> None:
        self.names = names
        self.stamp = options.stamp
        self.plain = [plain(name) for name in names]
        self.times = [
            (name, "") if name in OPEN_TIMES | CLOSE_TIMES | MOMENTS | DATES | TIMES else without_zone(full)
            for name, full in zip(self.plain, names, strict=True)
        ]
        self.told = {role: self._told(role, name) if name else [] for role, name in options.columns}
        """The columns that the user names for a role; none for a role that is left out."""

    def columns(self) -> Columns:
        """Find them all."""
        numbers = {what: self._number(what) for what in NUMBERS}
        marked, chosen = self._time()
        missing = [] if chosen else ["time"]
        missing += [what for what in PRICES if numbers[what] is None]
        if missing:
            raise self._missing(missing)
        zones = sorted({self.times[index][1] for index in chosen} - {""})
        return Columns(
            self.names,
            chosen,
            **numbers,  # type: ignore[arg-type]  # none missing
            symbol=self._first("symbol", SYMBOLS),
            stamp=marked,
            zone=zones[0] if zones else "",
            spare_volume=None if "volume" in self.told else self._first("volume", NAMES["volume"][-1]),
        )

    def _first(self, what: str, names: Collection[str]) -> int | None:
        """Find the first of some names."""
        if what in self.told:
            return next(iter(self.told[what]), None)
        return next((self.plain.index(name) for name in names if name in self.plain), None)

    def _number(self, what: str) -> int | None:
        if what in self.told:
            return next(iter(self.told[what]), None)
        for wanted in NAMES[what]:
            found = self._one([index for index, name in enumerate(self.plain) if name in wanted], what)
            if found is not None:
                return found
        others = [index for index, name in enumerate(self.plain) if what == "volume" and is_other_volume(name)]
        return self._one(others, what)

    def _time(self) -> tuple[Literal["open", "close"], tuple[int, ...]]:
        """Find the columns of times, and which end of a bar they mark."""
        if chosen := tuple(self.told.get("time", ())):
            closes_named = all(self.times[index][0] in CLOSE_TIMES for index in chosen)
            return ("close" if closes_named else self.stamp), chosen
        opens, closes = self._named(OPEN_TIMES, "time"), self._named(CLOSE_TIMES, "time")
        moment, date, time = self._named(MOMENTS, "time"), self._named(DATES, "date"), self._named(TIMES, "time")
        apart = tuple(index for index in (date, time) if index is not None)
        usual = (moment,) if moment is not None else apart
        if self.stamp == "open" and opens is not None:
            return "open", (opens,)
        if closes is not None and (self.stamp == "close" or not usual):
            return "close", (closes,)
        if not usual and "t" in self.plain:
            usual = (self.plain.index("t"),)
        if not usual and opens is None:
            usual = self._index()
        if opens is not None and not usual:
            raise UnreadableFileError(
                f"its times are when bars open, going by the column name {quoted(self.names[opens])}; "
                "leave out --stamp close"
            )
        return self.stamp, usual

    def _index(self) -> tuple[int, ...]:
        """Find the unnamed index of a table that was written with it."""
        if PANDAS_INDEX in self.plain:
            return (self.plain.index(PANDAS_INDEX),)
        return (0,) if self.plain and self.plain[0] in NAMELESS else ()

    def _named(self, wanted: Collection[str], what: str) -> int | None:
        return self._one([index for index, (name, _) in enumerate(self.times) if name in wanted], what)

    def _one(self, found: Sequence[int], what: str) -> int | None:
        if len(found) > 1:
            one, other = (self.names[index] for index in found[:2])
            if one == other:
                raise UnreadableFileError(
                    f"two columns are named {quoted(one)}; rename or remove one of them, and give each "
                    "instrument a file of its own"
                )
            role = "time" if what == "date" else what
            raise UnreadableFileError(
                f'{quoted(one)} and {quoted(other)} could both be the {what}; say which with --columns "{role}={one}"'
            )
        return found[0] if found else None

    def _told(self, role: str, said: str) -> list[int]:
        """Find what ``--columns`` names: one column, for times perhaps two, joined by a plus."""
        if said not in self.names and role == "time" and "+" in said:
            return [self._column(role, part.strip()) for part in said.split("+", 1)]
        return [self._column(role, said)]

    def _column(self, role: str, said: str) -> int:
        for names, wanted in ((self.names, said), (self.plain, plain(said))):
            found = [index for index, name in enumerate(names) if name == wanted]
            if len(found) == 1:
                return found[0]
        raise NoColumnsError(
            f"--columns {role}={said}: {'several columns have' if found else 'no column has'} that name; "
            f"found {self._shown()}",
            0,
        )

    def _shown(self) -> str:
        more = ["…"] * (len(self.names) > SHOWN)
        return ", ".join([quoted(name, 30) for name in self.names[:SHOWN]] + more)

    def _missing(self, missing: list[str]) -> UnreadableFileError:
        found = 1 + len(PRICES) - len(missing)
        if "specversion" in self.plain:
            return UnreadableFileError("it holds events, not bars; keep it in another folder than the bars")
        figures = sum(not set(name) - set("0123456789.,:/TZ+- ") for name in self.names if name)
        if figures * 2 > len(self.names):
            return NoColumnsError(
                "there is no header, the file begins with numbers; "
                "put the names of the columns on the first line, such as time,open,high,low,close,volume, or say which "
                "column is which by its number, such as --columns time=1,open=2,high=3,low=4,close=5",
                found,
            )
        told = f"; say which with --columns {','.join(f'{what}=NAME' for what in missing)}" if found else ""
        return NoColumnsError(
            f"no column is named {', '.join(missing)}; found {self._shown()}; a file of bars has columns "
            f"for time (or date), open, high, low and close{told}",
            found,
        )
