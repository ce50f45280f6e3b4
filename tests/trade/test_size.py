"""Sizes against contract arithmetic by hand, and the laws of sizing."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.trade.size import Account, size

D = Decimal


def contract(point_value: str, step: str, lot: str = "1", currency: str = "USD") -> Instrument:
    return Instrument("KITE", PriceSteps.fixed(D(step)), point_value=D(point_value), lot_step=D(lot), currency=currency)


def test_an_index_future_sized_by_hand() -> None:
    # Exchange contract specifications, from memory: 50 USD a point. Equity 50,000, risk 1 %, entry 4,012.25,
    # stop 4,004.00: 8.25 points, 412.50 a contract, 500 to lose, so one contract.
    account = Account(equity=D(50_000), currency="USD")
    assert size(account, contract("50", "0.25"), D("4012.25"), D("8.25")) == (D(1), "500.00 at risk, 412.50 a unit")


@pytest.mark.parametrize(
    ("point_value", "step", "value"),
    [("50", "0.25", "12.50"), ("1000", "0.03125", "31.25"), ("100000", "0.0001", "10")],
)
def test_one_step_of_known_contracts_is_worth_what_is_published(point_value: str, step: str, value: str) -> None:
    # Exchange contract specifications, from memory: index future, and grain future (5,000 bushels quoted in
    # cents: 50 USD a cent, step 1/4); bond future (100,000 USD at 1/32 of a point); 100,000 units of EUR/USD.
    account = Account(equity=D(value) * 100, currency="USD")
    amount, reason = size(account, contract(point_value, step), D(100), D(step))
    assert amount == 1
    assert D(reason.split(", ")[1].split()[0]) == D(value)


def test_too_small_to_trade_is_an_answer() -> None:
    amount, reason = size(Account(equity=D(1_000)), contract("50", "0.25"), D(4_000), D(8))
    assert amount == 0
    assert reason == "too small to trade: 10.00 at risk, 400 a unit, and the least lot is 1"


def test_a_missing_equity_or_rate_is_an_answer() -> None:
    assert size(Account(), contract("50", "0.25"), D(4_000), D(8)) == (None, "no equity given")
    account = Account(equity=D(1_000), currency="EUR")
    assert size(account, contract("50", "0.25"), D(4_000), D(8)) == (None, "no rate from USD to EUR given")


def test_the_notional_caps_the_size() -> None:
    account = Account(equity=D(100_000), currency="EUR", max_notional=D(10_000), fx={"USD": D("0.9")})
    amount, reason = size(account, contract("1", "0.01"), D(50), D("0.10"))
    assert amount == 222  # 10,000 / (50 * 0.9) = 222.2
    assert "capped at a notional of 10000" in reason


@given(
    equity=st.decimals(1, 10**9, places=2),
    fraction=st.decimals("0.0001", "0.5", places=4),
    risk=st.decimals("0.0001", 10**4, places=4),
    point_value=st.decimals("0.01", 10**5, places=2),
    lot=st.sampled_from([D(1), D("0.001"), D(100), D("0.3")]),
)
def test_the_size_is_the_greatest_number_of_lots_that_loses_no_more_than_allowed(
    equity: Decimal, fraction: Decimal, risk: Decimal, point_value: Decimal, lot: Decimal
) -> None:
    instrument = Instrument("KITE", PriceSteps.fixed(D("0.0001")), point_value=point_value, lot_step=lot)
    amount, _ = size(Account(equity=equity, risk_fraction=fraction), instrument, D(100), risk)
    assert amount is not None
    lots = amount / lot
    assert lots == lots.to_integral_value()
    assert amount * risk * point_value <= equity * fraction < (amount + lot) * risk * point_value


@pytest.mark.parametrize("wrong", [{"currency": "EURO"}, {"fx": {"USD": 0}}, {"fx": {"USD": "-0.9"}}])
def test_an_account_in_no_currency_or_at_no_rate_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Account.model_validate(wrong)
