"""How a file was understood, in words for the user."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.ports import UnderstoodFile

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.feeds.files.looking import Table, Understanding
    from adapters.feeds.files.series.raw_bars import RawBarsMaker
    from adapters.feeds.files.trouble import ReadingOptions


def understood(
    path: Path, table: Table, seen: Understanding, maker: RawBarsMaker, options: ReadingOptions
) -> UnderstoodFile:
    """Describe how a file was understood once its rows have been read."""
    columns, stamps = table.columns, seen.stamps
    named = {"time": columns.time_name} | {what: columns.names[index] for what, index in columns.numbers.items()}
    if columns.symbol is not None:
        named["symbol"] = columns.names[columns.symbol]
    return UnderstoodFile(
        path=path,
        form=table.form,
        columns=named,
        unused=[name for index, name in enumerate(columns.names) if name and index not in columns.wanted],
        decimal=seen.numbers.decimal,
        currency=seen.numbers.currency,
        time_format=stamps.time_format or "",
        stamp=stamps.kind,
        zone=options.tz if stamps.local else "",
        newest_first=maker.newest_first,
        open_end=table.open_end,
    )
