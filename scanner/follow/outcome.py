"""The outcome of a setup that was followed."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal
from typing import TYPE_CHECKING

from scanner.market.price_steps import EXACT

if TYPE_CHECKING:
    from scanner.event_data import State


@dataclass(frozen=True, slots=True)
class Outcome:
    """The state of a story, or how it ended: prices and R as exact decimals, times in nanoseconds since 1970 UTC.

    ``thread`` is the id of the setup's first event, ``sign`` +1 for long and −1 for short, ``set_aside`` whether it was
    set aside. ``planned`` is the planned entry and ``entry`` the price of the fill, None without one; ``first_stop``
    and ``stop`` are the first and the last stop, ``exit`` is the price of the exit, and ``half_exit`` the price at
    which half was closed before. ``best`` and ``worst`` are the furthest prices for and against the position that may
    have been reached while it was open. ``waited`` counts the bars without an entry, ``held`` those that closed while
    it was open. ``entered_at`` and ``ended_at`` are closes of bars, None if there was no entry, or no end yet. ``cost``
    is the cost of both ways in points of price, None if unknown.
    """

    thread: str
    sign: int
    set_aside: bool
    state: State
    reason: str
    planned: Decimal
    first_stop: Decimal
    stop: Decimal
    entry: Decimal | None
    exit: Decimal | None
    half_exit: Decimal | None
    best: Decimal | None
    worst: Decimal | None
    waited: int
    held: int
    entered_at: int | None
    ended_at: int | None
    cost: Decimal | None

    @property
    def planned_risk(self) -> Decimal:
        """The planned R: from the planned entry to the first stop, in points of price."""
        return self.sign * (self.planned - self.first_stop)

    @property
    def risk(self) -> Decimal | None:
        """The real R: from the fill to the first stop, in points of price; None without an entry."""
        return None if self.entry is None else self.sign * (self.entry - self.first_stop)

    def in_risks(self, price: Decimal | None) -> Decimal | None:
        """Give the distance from the entry to a price in real R, to hundredths; None without an entry or a price."""
        if self.entry is None or price is None:
            return None
        return _hundredths(price - self.entry, self.entry - self.first_stop)

    def left_at(self, price: Decimal | None) -> Decimal | None:
        """Give the average exit price if the rest is closed at ``price``."""
        return price if price is None or self.half_exit is None else EXACT.divide(price + self.half_exit, 2)

    @property
    def r(self) -> Decimal | None:
        """The result in real R, before costs, to hundredths; None while there is none."""
        return self.in_risks(self.left_at(self.exit))

    @property
    def cost_in_risks(self) -> Decimal | None:
        """The costs in real R, to hundredths; None without an entry, or if they are unknown."""
        return None if self.cost is None or self.risk is None else _hundredths(self.cost, self.risk)


HUNDREDTH = Decimal("0.01")
QUOTIENT = Context(prec=60)
"""Digits enough for a quotient of prices, that it is rounded as the exact one would be."""


def _hundredths(part: Decimal, whole: Decimal) -> Decimal:
    # Avoid negative zero.
    return QUOTIENT.add(QUOTIENT.quantize(QUOTIENT.divide(part, whole), HUNDREDTH), 0)
