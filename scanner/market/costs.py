"""Costs of a trade: spread, commission and slippage, for one unit of an instrument. Exact decimals."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, Self, get_args

CostName = Literal["spread", "commission", "slippage"]
COST_NAMES: tuple[CostName, ...] = get_args(CostName)

_WRITTEN = re.compile(r"(\d+(?:\.\d+)?)(?: ?(%)| ([A-Z]{3}))?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Cost:
    """One cost as written.

    ``amount`` is in points of price; in per cent of the price if ``unit`` is ``%``; or in money for one unit of size,
    in the currency that ``unit`` names (ISO 4217).
    """

    amount: Decimal
    unit: str = ""

    @classmethod
    def of(cls, text: str) -> Self:
        """Read a cost such as ``0.02``, ``0.05 %`` or ``1.50 EUR``; ValueError says how costs are written."""
        found = _WRITTEN.fullmatch(text.strip())
        if found is None:
            raise ValueError(
                'must be a price such as "0.02", per cent of the price such as "0.05 %", or money for one unit such as '
                f'"1.50 EUR", not "{text}"'
            )
        return cls(Decimal(found[1]), found[2] or found[3] or "")

    @property
    def currency(self) -> str:
        """The currency of a cost in money, empty for any other."""
        return "" if self.unit == "%" else self.unit

    def parts(self, point_value: Decimal) -> tuple[Decimal, Decimal]:
        """Give the cost in points of price, and as a fraction of the price; ``point_value`` is money for one point."""
        if self.unit == "%":
            return Decimal(0), self.amount / 100
        return self.amount / point_value if self.unit else self.amount, Decimal(0)


@dataclass(frozen=True, slots=True)
class Costs:
    """Costs of a trade: ``spread`` and ``slippage`` for both ways together, ``commission`` for each way.

    None means that a cost is not given.
    """

    spread: Cost | None = None
    commission: Cost | None = None
    slippage: Cost | None = None

    @property
    def given(self) -> bool:
        """Whether any cost is given."""
        return any(getattr(self, name) is not None for name in COST_NAMES)

    def in_price(self, price: Decimal, point_value: Decimal) -> Decimal:
        """Give the costs of both ways in points of price for a position entered at a price."""
        fixed, part = self.parts(point_value)
        return fixed + part * abs(price)

    def parts(self, point_value: Decimal) -> tuple[Decimal, Decimal]:
        """Give the costs of both ways: those in points of price, and those as a fraction of the price."""
        fixed = part = Decimal(0)
        for name in COST_NAMES:
            cost: Cost | None = getattr(self, name)
            if cost is not None:
                ways, (points, per_price) = 2 if name == "commission" else 1, cost.parts(point_value)
                fixed, part = fixed + points * ways, part + per_price * ways
        return fixed, part
