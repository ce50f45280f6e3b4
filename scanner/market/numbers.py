"""Numbers: which rows have prices or a volume that cannot be those of a bar."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from scanner.market.bars import RawBars

    Fault = tuple["NumberReason", NDArray[np.intp], Callable[[int], str]]

NumberReason = Literal[
    "unreadable price",
    "infinite price",
    "impossible price",
    "high below low",
    "outside its range",
    "impossible volume",
]

BEYOND_PRICES = 1e15
"""No price is so large: from here on a 64-bit number has no room for its decimals."""


def number_faults(raw: RawBars) -> Iterator[Fault]:
    """Give the indices of bad rows by reason, each row once, and how to say what is wrong with one.

    A negative price is a price, and a missing volume no fault.
    """
    low_end, high_end = np.minimum(raw.open, raw.close), np.maximum(raw.open, raw.close)
    # Few comparisons find nearly every bar right: NaN fails them all.
    sound = (raw.low <= low_end) & (high_end <= raw.high) & (raw.low > -BEYOND_PRICES) & (raw.high < BEYOND_PRICES)
    sound &= ~((raw.volume < 0) | (raw.volume == np.inf))
    rest = np.flatnonzero(~sound)
    if not len(rest):
        return
    prices = np.stack([raw.open[rest], raw.high[rest], raw.low[rest], raw.close[rest]])
    volume = raw.volume[rest]

    def unreadable(index: int) -> str:
        return f"a price is missing or not a number ({raw.unreadable.get(int(raw.row[index]), 'NaN')})"

    def with_prices(what: str) -> Callable[[int], str]:
        return lambda index: (
            f"{what}: open {raw.open[index]:.10g}, high {raw.high[index]:.10g}, "
            f"low {raw.low[index]:.10g}, close {raw.close[index]:.10g}"
        )

    faults: tuple[tuple[NumberReason, NDArray[np.bool_], Callable[[int], str]], ...] = (
        ("unreadable price", np.logical_or.reduce(np.isnan(prices)), unreadable),
        ("infinite price", np.logical_or.reduce(np.isinf(prices)), with_prices("a price is infinite")),
        (
            "impossible price",
            np.logical_or.reduce(np.abs(prices) >= BEYOND_PRICES),
            with_prices(f"a price is {BEYOND_PRICES:g} or more"),
        ),
        ("high below low", raw.high[rest] < raw.low[rest], with_prices("the high is below the low")),
        (
            "outside its range",
            (raw.low[rest] > low_end[rest]) | (high_end[rest] > raw.high[rest]),
            with_prices("open or close is outside the range"),
        ),
        (
            "impossible volume",
            (volume < 0) | (volume == np.inf),
            lambda index: f"the volume is {raw.volume[index]:.10g}",
        ),
    )
    left = np.ones(len(rest), dtype=np.bool_)
    for reason, mask, say in faults:
        if (left & mask).any():
            yield reason, rest[left & mask], say
        left &= ~mask
