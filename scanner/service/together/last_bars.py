"""The last bar of every instrument, in columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME, Bar

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from scanner.market.bars import Bars

NO_PRICES = (np.nan,) * 5


class LastBars:
    """The last bar of each instrument's base timeframe, by name; None if there is none.

    ``times`` (instruments × open and close) and ``prices`` (× open, high, low, close, volume) hold them, each in the
    row that ``rows`` gives.
    """

    def __init__(self) -> None:
        self._rows: dict[str, int] = {}
        self.times = np.empty((0, 2), dtype=np.int64)
        self.prices = np.empty((0, 5))

    def __getitem__(self, name: str) -> Bar | None:
        """Give the last bar of an instrument."""
        row = self._rows[name]
        opened, closed = self.times[row].tolist()
        return None if opened == NO_TIME else Bar(opened, closed, *self.prices[row].tolist())

    def __setitem__(self, name: str, bar: Bar | None) -> None:
        """Take note of the last bar of an instrument."""
        row = self._rows.setdefault(name, len(self._rows))
        if row >= len(self.times):
            more = max(len(self.times), 16)
            self.times = np.concatenate([self.times, np.full((more, 2), NO_TIME)])
            self.prices = np.concatenate([self.prices, np.full((more, 5), np.nan)])
        self.times[row] = (NO_TIME, NO_TIME) if bar is None else bar[:2]
        self.prices[row] = NO_PRICES if bar is None else bar[2:]

    def __contains__(self, name: str) -> bool:
        """Whether an instrument is known, with or without a bar."""
        return name in self._rows

    def copy(self) -> LastBars:
        """Give a copy to go back to."""
        same = LastBars()
        same._rows, same.times, same.prices = self._rows.copy(), self.times.copy(), self.prices.copy()
        return same

    def close_of(self, name: str) -> int | None:
        """Give when the last bar closed; None if there is none."""
        close = self.times[self._rows[name], 1].item()
        return None if close == NO_TIME else close

    def open_of(self, name: str) -> int | None:
        """Give when the last bar opened; None if there is none."""
        opened = self.times[self._rows[name], 0].item()
        return None if opened == NO_TIME else opened

    def rows(self, names: Iterable[str]) -> NDArray[np.int64]:
        """Give the rows of instruments, each of which is known."""
        return np.array([self._rows[name] for name in names], dtype=np.int64)

    def remember(self, names: Sequence[str], bars: Bars) -> None:
        """Take note of the last bars of instruments, one each."""
        for name in names:
            if name not in self._rows:
                self[name] = None
        self.follow(self.rows(names), bars)

    def follow(self, rows: NDArray[np.int64], bars: Bars) -> None:
        """Take note of the bars that follow the last ones of some rows, one each."""
        self.times[rows] = np.stack([bars.open_time, bars.close_time], axis=1)
        self.prices[rows] = np.stack(bars.columns()[2:], axis=1)
