"""Instruments: price steps, the value of a point, sessions and costs."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.market.costs import COST_NAMES, Cost, Costs

if TYPE_CHECKING:
    from scanner.market.price_steps import PriceSteps


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument. ``point_value`` is money in ``currency`` (ISO 4217) for one point of price and one unit of size.

    ``lot_step`` is the least size and the step of sizes; ``calendar`` names its sessions; ``costs`` are those of a
    trade; costs in money are in ``currency``.
    """

    symbol: str
    steps: PriceSteps
    point_value: Decimal = Decimal(1)
    lot_step: Decimal = Decimal(1)
    currency: str = ""
    calendar: str = "none"
    costs: Costs = field(default_factory=Costs)

    def __post_init__(self) -> None:
        """Refuse an instrument that cannot be sized, or whose costs are not in the currency of its prices."""
        for name, value in (("point_value", self.point_value), ("lot_step", self.lot_step)):
            if not value.is_finite() or value <= 0:
                raise ValueError(f"{self.symbol}: {name} must be above 0, not {value}")
        for cost_name in COST_NAMES:
            cost: Cost | None = getattr(self.costs, cost_name)
            if cost is not None and (wrong := wrong_currency(cost, self.currency)):
                raise ValueError(f"{self.symbol}: its {cost_name} {wrong}")


def wrong_currency(cost: Cost, currency: str) -> str:
    """Say why a cost does not fit prices in a currency (empty if unknown); empty if it fits."""
    if not cost.currency or cost.currency == currency:
        return ""
    if not currency:
        return f"is in {cost.currency}, but the currency of its prices is not given; add it"
    return f"is in {cost.currency}, but its prices are in {currency}; write it in {currency}"
