"""The columns of raw rows, and making such rows: joined pages, none at all, and one that cannot be read."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME, RawBars

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.bars import StampKind

PRICES = ("open", "high", "low", "close")
NUMBERS = (*PRICES, "volume")
"""The columns of numbers."""


def no_rows(source: str, stamp_kind: StampKind) -> RawBars:
    """Give no rows at all."""
    whole, numbers = np.empty(0, dtype=np.int64), np.empty(0)
    return RawBars(whole, numbers, numbers, numbers, numbers, numbers, whole, source, stamp_kind)


def copied(raw: RawBars, which: NDArray[np.intp]) -> RawBars:
    """Copy some rows, by their indices, so that the others can be freed."""
    rows = raw[which]
    texts = {number: raw.unreadable[number] for number in rows.row.tolist() if number in raw.unreadable}
    return replace(rows, unreadable=texts)


def joined_pages(pages: list[RawBars], nothing: RawBars) -> RawBars:
    """Join pages, oldest first, without the rows that overlap the page before."""
    pages = [page for page in pages if len(page)]
    if not pages:
        return nothing
    pages.sort(key=lambda page: int(page.stamp[0]))
    kept, last = [], NO_TIME
    for page in pages:
        kept.append(page[(page.stamp > last) | (page.stamp == NO_TIME)])
        last = max(last, int(page.stamp.max()))
    return RawBars.joined(kept)


def unreadable_row(text: str, row: int, source: str, stamp_kind: StampKind) -> RawBars:
    """Give one unreadable row; ``text`` is its content."""
    number = np.full(1, np.nan)
    stamp = np.full(1, NO_TIME, dtype=np.int64)
    rows = np.full(1, row, dtype=np.int64)
    return RawBars(stamp, number, number, number, number, number, rows, source, stamp_kind, {row: text})
