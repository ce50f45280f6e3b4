"""Bars: the rows a feed sends, and the bars the guard makes from them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Self, get_args

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

StampKind = Literal["open", "close", "date"]
NO_TIME = np.iinfo(np.int64).min
"""The stamp of a row whose time could not be read."""
NEVER = np.iinfo(np.int64).max
"""A moment that does not come."""
ROW_COLUMNS = ("stamp", "open", "high", "low", "close", "volume", "row")
"""The arrays of ``RawBars``."""
INTEGERS = ("stamp", "row")
"""Those that are int64; all others are float64."""


@dataclass(frozen=True, slots=True)
class RawBars:
    """Rows as a feed sent them, not checked yet.

    ``stamp`` is in nanoseconds since 1970 UTC and marks the bar's open or close, or, for ``date``, midnight UTC of the
    calendar day or of the first day of the week that the bar stands for. An unreadable price is NaN, and ``unreadable``
    has its text, by row number. ``volume`` is NaN if there is none.
    """

    stamp: NDArray[np.int64]
    open: NDArray[np.float64]
    high: NDArray[np.float64]
    low: NDArray[np.float64]
    close: NDArray[np.float64]
    volume: NDArray[np.float64]
    row: NDArray[np.int64]
    source: str
    stamp_kind: StampKind = "open"
    unreadable: Mapping[int, str] = field(default_factory=dict)

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.stamp)

    def fault(self) -> str:
        """Describe what is not as above: a column of another type or length, or the kind of stamp; empty if all is."""
        for name in ROW_COLUMNS:
            column: Any = getattr(self, name)
            wanted = "int64" if name in INTEGERS else "float64"
            if not isinstance(column, np.ndarray):
                return f"{name} as a {type(column).__name__} instead of an array of {wanted}"
            if column.dtype != wanted:
                return f"{name} as {column.dtype} instead of {wanted}"
            if column.ndim != 1:
                return f"{name} with {column.ndim} dimensions instead of one"
            if len(column) != len(self.stamp):
                return f"{len(column):,} values of {name}, but {len(self.stamp):,} of stamp"
        if self.stamp_kind not in get_args(StampKind):
            return f"the stamp_kind {self.stamp_kind!r}; there is {', '.join(get_args(StampKind))}"
        return ""

    def __getitem__(self, which: slice | NDArray[Any]) -> RawBars:
        """Take some of the rows: views for a slice, copies for indices or a mask."""
        return RawBars(
            self.stamp[which],
            self.open[which],
            self.high[which],
            self.low[which],
            self.close[which],
            self.volume[which],
            self.row[which],
            self.source,
            self.stamp_kind,
            self.unreadable,
        )

    def where(self, wanted: NDArray[np.bool_]) -> RawBars:
        """Take some of the rows, by a mask; the same object if all are wanted."""
        return self if wanted.all() else self[wanted]

    def blocks(self, size: int) -> Iterator[RawBars]:
        """Give the rows in blocks of at most ``size``, as views."""
        for start in range(0, len(self), size):
            yield self[start : start + size]

    @classmethod
    def joined(cls, parts: Sequence[RawBars]) -> RawBars:
        """Join rows of one source, at least one part; a single one is not copied."""
        if len(parts) == 1:
            return parts[0]
        columns: dict[str, Any] = {
            name: np.concatenate([getattr(part, name) for part in parts]) for name in ROW_COLUMNS
        }
        unreadable = {number: text for part in parts for number, text in part.unreadable.items()}
        return replace(parts[0], **columns, unreadable=unreadable)


class Bar(NamedTuple):
    """One closed bar; units as in ``Bars``."""

    open_time: int
    close_time: int
    open: float
    high: float
    low: float
    close: float
    volume: float


@dataclass(frozen=True, slots=True)
class Bars:
    """Closed bars of one instrument and timeframe, oldest first, strictly increasing in time.

    Times are nanoseconds since 1970 UTC, prices and volume float64; all arrays have one length. ``volume`` is NaN if
    the feed has none.
    """

    open_time: NDArray[np.int64]
    close_time: NDArray[np.int64]
    open: NDArray[np.float64]
    high: NDArray[np.float64]
    low: NDArray[np.float64]
    close: NDArray[np.float64]
    volume: NDArray[np.float64]

    def __len__(self) -> int:
        """Count the bars."""
        return len(self.close_time)

    def __getitem__(self, part: slice | NDArray[Any]) -> Self:
        """Take some of the bars: views for a slice, copies for indices or a mask."""
        return type(self)(
            self.open_time[part],
            self.close_time[part],
            self.open[part],
            self.high[part],
            self.low[part],
            self.close[part],
            self.volume[part],
        )

    def runs(self, begins: NDArray[np.int64], counts: NDArray[np.int64]) -> Self:
        """Take runs of bars, ``counts`` from ``begins`` on, one run after the other."""
        taken_before = np.cumsum(counts) - counts
        return self[np.repeat(begins - taken_before, counts) + np.arange(counts.sum())]

    def last(self) -> Bar | None:
        """Take the last bar; None if there is none."""
        return Bar(*(column.item(-1) for column in self.columns())) if len(self) else None

    def columns(self) -> tuple[NDArray[Any], ...]:
        """Give the seven arrays in the order of the constructor."""
        return (
            self.open_time,
            self.close_time,
            self.open,
            self.high,
            self.low,
            self.close,
            self.volume,
        )

    @classmethod
    def of(cls, rows: Sequence[tuple[int, int, float, float, float, float, float]]) -> Self:
        """Make bars from rows (open time, close time, open, high, low, close, volume)."""
        times = np.array([row[:2] for row in rows], dtype=np.int64).reshape(-1, 2)
        prices = np.array([row[2:] for row in rows], dtype=np.float64).reshape(-1, 5)
        return cls(*np.ascontiguousarray(times.T), *np.ascontiguousarray(prices.T))

    @classmethod
    def joined(cls, parts: Sequence[Bars]) -> Self:
        """Join bars, which must be in order."""
        if not parts:
            return cls.of([])
        return cls(*(np.concatenate(columns) for columns in zip(*(part.columns() for part in parts), strict=True)))


NO_BARS = Bars.of([])
