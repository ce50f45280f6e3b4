"""Instruments: what is traded, in which steps, and what a point of its price is worth."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from scanner.market.price_steps import PriceSteps


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument. ``point_value`` is money in ``currency`` (ISO 4217) for one point of price and one unit of size.

    ``lot_step`` is the least size and the step of sizes; ``calendar`` names its sessions.
    """

    symbol: str
    steps: PriceSteps
    point_value: Decimal = Decimal(1)
    lot_step: Decimal = Decimal(1)
    currency: str = ""
    calendar: str = "none"

    def __post_init__(self) -> None:
        """Refuse an instrument that cannot be sized."""
        for name, value in (("point_value", self.point_value), ("lot_step", self.lot_step)):
            if not value.is_finite() or value <= 0:
                raise ValueError(f"{self.symbol}: {name} must be above 0, not {value}")
