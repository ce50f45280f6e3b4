"""The grid of price steps, as the compiled plan uses it."""

from __future__ import annotations

from decimal import Decimal

from scanner.market.price_steps import PriceSteps
from scanner.trade.levels import grid_of


def test_equal_steps_keep_the_digits_that_they_are_written_with() -> None:
    grids = [grid_of(PriceSteps.fixed(Decimal(written))) for written in ("0.2", "0.20")]
    assert [str(grid.price(grid.units * 3)) for grid in grids] == ["3.0", "3.00"]
