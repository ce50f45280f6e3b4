"""Numbers: which rows have prices or a volume that no bar can have."""

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
"""Prices are smaller: from here on, a 64-bit number has no room for decimals."""


def number_faults(raw: RawBars) -> Iterator[Fault]:
    """Give the indices of bad rows by reason, each row once, and how to say what is wrong with one.

    A negative price is valid, and so is a missing volume.
    """
    # NaN fails the comparisons of prices.
    sound = (raw.low <= raw.open) & (raw.low <= raw.close) & (raw.open <= raw.high) & (raw.close <= raw.high)
    sound &= (raw.low > -BEYOND_PRICES) & (raw.high < BEYOND_PRICES)
    sound &= ~((raw.volume < 0) | (raw.volume == np.inf))
    rest = np.flatnonzero(~sound)
    first, last, volume = raw.open[rest], raw.close[rest], raw.volume[rest]
    prices = np.stack([first, raw.high[rest], raw.low[rest], last])

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
            (raw.low[rest] > np.minimum(first, last)) | (np.maximum(first, last) > raw.high[rest]),
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
