"""Daily bars of real markets from open data sets, read in a plain way for comparison in tests.

``arch.data.sp500`` and ``arch.data.nasdaq`` are daily bars 1999-2018, 5,031 rows each, in the econometrics library
arch; ``stocks.csv.gz`` in bokeh-sampledata has daily bars of five shares to 2013, public domain, not adjusted for
splits.
"""

from __future__ import annotations

import csv
import gzip
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def _beside(package: str, *parts: str) -> Path:
    """Find a file of an installed package without importing it."""
    spec = find_spec(package)
    assert spec is not None, f"{package} is not installed; install the extra `test`"
    assert spec.origin is not None
    return Path(spec.origin).parent.joinpath(*parts)


SP500 = _beside("arch", "data", "sp500", "sp500.csv.gz")
NASDAQ = _beside("arch", "data", "nasdaq", "nasdaq.csv.gz")
SHARES = _beside("bokeh_sampledata", "_data", "stocks.csv.gz")
INDEX_TIME_FORMAT = "%m/%d/%Y"
"""The date formats of the two index files; the file of shares has standard dates."""


@dataclass(frozen=True, slots=True)
class DailyBars:
    """Daily bars of one symbol, oldest first; prices and volume float64, dates datetime64[D]."""

    symbol: str
    date: NDArray[np.datetime64]
    open: NDArray[np.float64]
    high: NDArray[np.float64]
    low: NDArray[np.float64]
    close: NDArray[np.float64]
    volume: NDArray[np.float64]

    def __len__(self) -> int:
        """Count the bars."""
        return len(self.date)


def sp500() -> DailyBars:
    """Give the S&P 500."""
    return _read(SP500, "sp500")["sp500"]


def nasdaq() -> DailyBars:
    """Give the Nasdaq Composite."""
    return _read(NASDAQ, "nasdaq")["nasdaq"]


def shares() -> dict[str, DailyBars]:
    """Give the five shares by ticker."""
    return dict(_read(SHARES, ""))


def every_series() -> dict[str, DailyBars]:
    """Give all seven series by symbol."""
    return {"sp500": sp500(), "nasdaq": nasdaq(), **shares()}


@cache
def _read(path: Path, symbol: str) -> dict[str, DailyBars]:
    rows: dict[str, list[tuple[str, ...]]] = {}
    with gzip.open(path, "rt", newline="") as lines:
        for row in csv.DictReader(lines):
            date = row["Date"]
            if "/" in date:
                date = datetime.strptime(date, INDEX_TIME_FORMAT).strftime("%Y-%m-%d")  # noqa: DTZ007 - a calendar day
            rows.setdefault(row.get("Ticker", symbol), []).append(
                (date, *(row[name] for name in ("Open", "High", "Low", "Close", "Volume")))
            )
    found = {}
    for name, entries in rows.items():
        columns = list(zip(*entries, strict=True))
        numbers = [np.array(column, dtype=np.float64) for column in columns[1:]]
        found[name] = DailyBars(name, np.array(columns[0], dtype="datetime64[D]"), *numbers)
    return found
