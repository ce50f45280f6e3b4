"""Pages: the bars of one series in order, many to a row, and the old versions of restated bars."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.store.packing import PackedRows, pack, table_of, unpack
from scanner.store.trouble import DamagedError

if TYPE_CHECKING:
    import sqlite3

    from scanner.store.packing import Table

PAGE_BARS = 256
"""Bars of a full page."""


def latest(connection: sqlite3.Connection, series: int, tail: Table | None, last_bars: int | None) -> Table:
    """Read pages from the last one back until there are, with the tail, ``last_bars`` bars; all of them for None."""
    parts, following = [] if tail is None else [tail], None
    lacking = np.inf if last_bars is None else last_bars - (0 if tail is None else tail.shape[1])
    if lacking > 0:
        for number, data in connection.execute(
            "SELECT number, data FROM page WHERE series = ? ORDER BY number DESC", (series,)
        ):
            if following not in {None, number + 1}:
                raise DamagedError(f"page {number + 1} of series {series} is missing")
            following = number
            parts.append(page_table(series, number, data))
            lacking -= parts[-1].shape[1]
            if lacking <= 0:
                break
    if not parts:
        return table_of([])
    table = parts[0] if len(parts) == 1 else np.concatenate(parts[::-1], axis=1)
    return table if last_bars is None else table[:, max(table.shape[1] - last_bars, 0) :]


def page_table(series: int, number: int, data: bytes) -> Table:
    """Read a page; DamagedError if it is damaged or belongs to another series."""
    rows = unpack(data, f"page {number} of series {series}")
    if rows.ids.tolist() != [series]:
        raise DamagedError(f"page {number} of series {series} holds the bars of another series")
    return rows.table


def write_pages(connection: sqlite3.Connection, series: int, first: int, table: Table) -> None:
    """Write bars as pages from the page ``first`` on, replacing that page if it exists."""
    parts = [table[:, begin : begin + PAGE_BARS] for begin in range(0, table.shape[1], PAGE_BARS)]
    connection.executemany(
        "INSERT INTO page VALUES (?, ?, ?, ?, ?) ON CONFLICT (series, number) "
        "DO UPDATE SET bars = excluded.bars, last_close = excluded.last_close, data = excluded.data",
        [
            (
                series,
                number,
                part.shape[1],
                int(part[1, -1]),
                pack(PackedRows(np.array([series]), np.array([part.shape[1]]), part)),
            )
            for number, part in enumerate(parts, first)
        ],
    )


def keep_restated(connection: sqlite3.Connection, series: int, old: Table, new: Table, noticed: int) -> None:
    """Keep the old bars that are not among the new ones, bit for bit."""
    present = set(map(tuple, new.T.tolist()))
    gone = [index for index, bar in enumerate(map(tuple, old.T.tolist())) if bar not in present]
    prices = old[2:].view(np.float64)
    connection.executemany(
        "INSERT INTO restated VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(series, *old[:2, index].tolist(), *prices[:, index].tolist(), noticed) for index in gone],
    )
