"""Costs against sums by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest

from scanner.market.costs import Cost, Costs
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps

D = Decimal


def costs(spread: str = "", commission: str = "", slippage: str = "") -> Costs:
    return Costs(*(Cost.of(text) if text else None for text in (spread, commission, slippage)))


@pytest.mark.parametrize(
    ("given", "price", "point_value", "total"),
    [
        # A share at 40.00: spread 0.02; commission 0.05 % of 40 = 0.02 each way; slippage 0.01: 0.02 + 0.04 + 0.01.
        (costs("0.02", "0.05 %", "0.01"), "40", "1", "0.07"),
        # An index future at 4,000, 50 USD a point: spread 0.25; 2.50 USD each way = 0.05 points each: 0.25 + 0.10.
        (costs("0.25", "2.50 USD"), "4000", "50", "0.35"),
        # Slippage is of both ways together and counts once, the spread too.
        (costs(spread="0.02"), "40", "1", "0.02"),
        (costs(slippage="0.1 %"), "40", "1", "0.04"),
        # Per cent are of the size of a price, which may be negative.
        (costs(spread="0.1%"), "-40", "1", "0.04"),
        (costs(spread="0"), "40", "1", "0"),
    ],
)
def test_costs_by_hand(given: Costs, price: str, point_value: str, total: str) -> None:
    assert given.in_price(D(price), D(point_value)) == D(total)


def test_no_cost_is_another_thing_than_a_cost_of_nothing() -> None:
    assert not Costs().given
    assert costs(commission="0").given


@pytest.mark.parametrize(
    "wrong", ["", "-0.02", "0,02", "1.5EUR", "1.5 eur", "EUR 1.5", "2 %%", "nan", "1e-3", "٣", "."]
)
def test_a_cost_in_another_form_is_refused_in_a_sentence(wrong: str) -> None:
    with pytest.raises(
        ValueError, match=r'must be a price such as "0\.02", per cent of the price such as "0\.05 %", or'
    ):
        Cost.of(wrong)


def test_costs_in_another_currency_than_the_prices_are_refused() -> None:
    steps = PriceSteps.fixed(D("0.01"))
    with pytest.raises(ValueError, match="KITE: its commission is in EUR, but its prices are in USD; write it in USD"):
        Instrument("KITE", steps, currency="USD", costs=costs(commission="1.50 EUR"))
    with pytest.raises(ValueError, match="KITE: its spread is in EUR, but the currency of its prices is not given"):
        Instrument("KITE", steps, costs=costs(spread="1.50 EUR"))
    assert Instrument("KITE", steps, currency="EUR", costs=costs("1.50 EUR", "1 %", "0.1")).costs.given
