"""What was understood of a file, to be shown to whoever gave it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.feeds.files.looking import Table, Understanding
    from adapters.feeds.files.series.raw_bars import RawBarsMaker
    from adapters.feeds.files.trouble import ReadingOptions
    from scanner.market.bars import StampKind


@dataclass(frozen=True, slots=True)
class Understood:
    """One file, as far as it has been read: what its bars say is known once they are."""

    path: Path
    _table: Table
    _seen: Understanding
    _maker: RawBarsMaker
    _options: ReadingOptions

    @property
    def form(self) -> str:
        """What kind of file it is."""
        return self._table.form

    @property
    def columns(self) -> dict[str, str]:
        """The names of the columns that are read, by what they hold."""
        columns = self._table.columns
        named = {"time": columns.time_name} | {what: columns.names[index] for what, index in columns.numbers.items()}
        return named if columns.symbol is None else named | {"symbol": columns.names[columns.symbol]}

    @property
    def unused(self) -> list[str]:
        """The names of the columns that are not read."""
        columns = self._table.columns
        return [name for index, name in enumerate(columns.names) if name and index not in columns.wanted]

    @property
    def decimal(self) -> str:
        """The decimal mark."""
        return self._seen.numbers.decimal

    @property
    def currency(self) -> str:
        """What the prices are marked with, empty where they are not."""
        return self._seen.numbers.currency

    @property
    def time_format(self) -> str:
        """The format of the times, empty where they are in a standard form."""
        return self._seen.stamps.time_format or ""

    @property
    def stamp(self) -> StampKind:
        """What the times mark."""
        return self._seen.stamps.kind

    @property
    def zone(self) -> str:
        """The zone by whose clocks the times are read, empty where they name their own."""
        stamps = self._seen.stamps
        return self._options.tz if stamps.local else ""

    @property
    def newest_first(self) -> bool:
        """Whether the newest row came first."""
        return self._maker.newest_first
