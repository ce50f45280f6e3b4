"""The terms of the plain reading: a bar, the settings a user may change, and what counts as a tie.

Prices are ``decimal.Decimal``, so sums, differences and multiples of them are exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple, Self

DIGITS = 50
"""Digits of a quotient that does not terminate (Wilder's average, the EMAs, the slope of a line)."""

SHAVE = Decimal("1e-12")
"""Prices that differ by no more than this part of the price count as equal: a tie."""

Bands = tuple[tuple[Decimal, Decimal], ...]


def exact(number: float) -> Decimal:
    """Give the shortest decimal that represents a float."""
    return Decimal(repr(float(number)))


@dataclass(frozen=True, slots=True)
class Bar:
    """One closed bar; ``volume`` is None if the feed has none."""

    open: Decimal
    high: Decimal
    low: Decimal
    close: Decimal
    volume: Decimal | None

    @classmethod
    def of(cls, open_: float, high: float, low: float, close: float, volume: float | None) -> Self:
        """Make a bar from floats, each read as the shortest decimal for it; a volume of NaN means none."""
        return cls(
            exact(open_),
            exact(high),
            exact(low),
            exact(close),
            None if volume is None or math.isnan(volume) else exact(volume),
        )

    @property
    def body(self) -> Decimal:
        return abs(self.close - self.open)

    @property
    def range(self) -> Decimal:
        return self.high - self.low

    def reflected(self) -> Bar:
        """Give the bar with every price p as −p, so that its high becomes its low."""
        return Bar(-self.open, -self.low, -self.high, -self.close, self.volume)


class Measured(NamedTuple):
    """The measured value (None if there is nothing to measure) and whether it holds (None: not counted)."""

    measured: Decimal | None
    verdict: bool | None


@dataclass(frozen=True, slots=True)
class Rules:
    """Every setting a user may change, and the instrument's price step.

    ``step`` is one step, or bands of (price from which it is valid, step), lowest first.
    """

    drive_min: Decimal = Decimal("1.0")
    drive_max_atr: Decimal = Decimal("3.0")
    solid: Decimal = Decimal("0.5")
    pause: str = "doji"
    doji_body: Decimal = Decimal("0.10")
    doji_body_of_drive: Decimal = Decimal("0.05")
    doji_range: Decimal = Decimal("0.75")
    alike: Decimal = Decimal("1.75")
    cross_window: int = 10
    warm_up: int = 250
    pullback_window: int = 10
    place_quality: str = "strict"
    place_span: int = 120
    entry_style: str = "break"
    step: Decimal | Bands = Decimal("0.01")

    @classmethod
    def overriding(cls, changes: dict[str, object]) -> Self:
        """Change some of the defaults; a float means the decimal that it prints as."""
        return cls(
            **{  # type: ignore[arg-type]  # the names are known only at run time
                name: exact(value) if isinstance(value, float) else value for name, value in changes.items()
            }
        )

    def __post_init__(self) -> None:
        """Refuse a warm-up too short for the signal line and the windows of bars that the rules look back on."""
        if self.warm_up < 50:
            raise ValueError(f"this reading wants a warm_up of at least 50 bars, not {self.warm_up}")


def hair(price: Decimal) -> Decimal:
    """Give the largest difference that counts as a tie at this price."""
    return SHAVE * abs(price)


def at_most(one: Decimal, other: Decimal, tie: Decimal) -> bool:
    """Say whether one ≤ other; a tie holds."""
    return one - other <= tie


def above(one: Decimal, other: Decimal, tie: Decimal) -> bool:
    """Say whether one > other; a tie does not hold."""
    return one - other > tie


def ratio(part: Decimal, whole: Decimal) -> Decimal | None:
    """Give part / whole, None if the whole is 0."""
    return part / whole if whole else None
