"""Sizes against contract arithmetic by hand, and the laws of sizing."""

from __future__ import annotations

import doctest
import sys
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from scanner.market.costs import Cost, Costs
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.trade.size import Account, size, size_warnings

D = Decimal


def contract(point_value: str, step: str, lot: str = "1", currency: str = "USD") -> Instrument:
    return Instrument("KITE", PriceSteps.fixed(D(step)), point_value=D(point_value), lot_step=D(lot), currency=currency)


def test_an_index_future_sized_by_hand() -> None:
    # Exchange contract specifications, from memory: 50 USD a point. Equity 50,000, risk 1 %, entry 4,012.25,
    # stop 4,004.00: 8.25 points, 412.50 a contract, 500 to lose, so one contract.
    account = Account(equity=D(50_000), currency="USD")
    assert size(account, contract("50", "0.25"), D("4012.25"), D("8.25")) == (
        D(1),
        "risk limit 500.00 USD, 412.50 USD a unit",
    )


@pytest.mark.parametrize(
    ("point_value", "step", "value"),
    [("50", "0.25", "12.50"), ("1000", "0.03125", "31.25"), ("100000", "0.0001", "10")],
)
def test_one_step_of_known_contracts_has_its_published_value(point_value: str, step: str, value: str) -> None:
    # Exchange contract specifications, from memory: index future, and grain future (5,000 bushels quoted in
    # cents: 50 USD a cent, step 1/4); bond future (100,000 USD at 1/32 of a point); 100,000 units of EUR/USD.
    account = Account(equity=D(value) * 100, currency="USD")
    amount, reason = size(account, contract(point_value, step), D(100), D(step))
    assert amount == 1
    assert D(reason.split(", ")[1].split()[0]) == D(value)


def test_too_small_to_trade_is_an_answer() -> None:
    amount, reason = size(Account(equity=D(1_000), currency="USD"), contract("50", "0.25"), D(4_000), D(8))
    assert amount == 0
    assert reason == "too small to trade: risk limit 10.00 USD, 400 USD a unit, and the smallest size is 1"


def test_a_size_of_which_half_is_to_be_closed_is_an_even_number_of_lots() -> None:
    def of(equity: int, lot: str = "1") -> tuple[Decimal | None, str]:
        account = Account(equity=D(equity), currency="USD")
        return size(account, contract("50", "0.25", lot), D(4_000), D(2), halves=True)

    # A contract may lose 100 USD: for 300 there would be three, and half of them cannot be closed.
    assert of(30_000) == (D(2), "risk limit 300.00 USD, 100 USD a unit, in two halves")
    assert of(30_000, "0.1")[0] == 3
    assert of(31_000, "0.1")[0] == 3
    assert of(19_999) == (
        D(0),
        "too small to trade: risk limit 199.99 USD, 100 USD a unit, in two halves, and the smallest size is 2",
    )


def test_without_an_equity_there_is_no_size() -> None:
    assert size(Account(), contract("50", "0.25"), D(4_000), D(8)) == (None, "no equity given")


@pytest.mark.parametrize(
    ("account", "prices", "amount", "reason"),
    [
        ("EUR", "EUR", D(2), "risk limit 100.00 EUR, 50 EUR a unit"),
        ("EUR", "USD", None, "no rate from USD to EUR given"),
        ("EUR", "JPY", D(4), "risk limit 100.00 EUR, 25.0 EUR a unit"),
        (
            "EUR",
            "",
            None,
            "the equity is in EUR, but the currency of the prices is not given: give it with --currency, or",
        ),
        (
            "",
            "USD",
            None,
            "the prices are in USD, but the currency of the equity is not given: give it with --currency, or",
        ),
        ("", "JPY", D(4), "risk limit 100.00, 25.0 a unit, in the currency of the equity, which is not given"),
        (
            "",
            "",
            D(2),
            "risk limit 100.00, 50 a unit, in the currency of the equity, which is not given and taken to be that of ",
        ),
    ],
)
def test_no_currency_is_assumed_silently(account: str, prices: str, amount: Decimal | None, reason: str) -> None:
    # The rate of the account's own currency is 1, whatever the configuration says.
    holder = Account(equity=D(10_000), currency=account, fx={"JPY": D("0.5")})
    found, told = size(holder, contract("50", "0.25", currency=prices), D(100), D(1))
    assert found == amount
    assert told.startswith(reason)


def test_the_notional_caps_the_size() -> None:
    account = Account(equity=D(100_000), currency="EUR", max_notional=D(10_000), fx={"USD": D("0.9")})
    amount, reason = size(account, contract("1", "0.01"), D(50), D("0.10"))
    assert amount == 222  # 10,000 / (50 * 0.9) = 222.2
    assert "capped at a notional of 10000 EUR" in reason


@given(
    entry=st.decimals(-200, 200, places=2),
    risk=st.decimals("0.01", 50, places=2),
    greatest=st.integers(1, 10**7).map(Decimal),
    lot=st.sampled_from([D(1), D("0.5"), D(100)]),
)
def test_a_cap_leaves_as_many_lots_as_it_allows_and_never_adds_any(
    entry: Decimal, risk: Decimal, greatest: Decimal, lot: Decimal
) -> None:
    account = Account(equity=D(100_000), currency="USD")
    free, _ = size(account, contract("2", "0.01", str(lot)), entry, risk)
    capped, reason = size(
        account.model_copy(update={"max_notional": greatest}), contract("2", "0.01", str(lot)), entry, risk
    )
    assert free is not None
    within = free if not entry else min(free, greatest // (abs(entry) * 2 * lot) * lot)
    assert capped == within
    assert ("capped" in reason) == (within < free)


@given(
    equity=st.decimals(1, 10**9, places=2),
    fraction=st.decimals("0.0001", "0.1", places=4),
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


def test_a_quotient_that_rounds_up_to_a_whole_lot_adds_none() -> None:
    # 1,234,567 lots would lose 864,196.9, a hair more than allowed; to 28 digits the quotient is 1,234,567.
    account = Account(equity=D("8641968.999999999999999999999"), currency="USD", risk_fraction=D("0.1"))
    assert size(account, contract("1", "0.1"), D(100), D("0.7"))[0] == 1_234_566


@pytest.mark.parametrize("wrong", [{"currency": "EURO"}, {"fx": {"USD": 0}}, {"fx": {"USD": "-0.9"}}])
def test_an_account_in_no_currency_or_at_no_rate_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Account.model_validate(wrong)


@pytest.mark.parametrize(("fraction", "refused"), [("0.1", False), ("0.1001", True), ("1", True), ("2", True)])
def test_more_than_a_tenth_of_the_equity_is_refused(fraction: str, refused: bool) -> None:
    if refused:
        with pytest.raises(
            ValidationError, match=r"one trade may lose at most 0\.10 of the equity, not .*; write 1 % as"
        ):
            Account(risk_fraction=D(fraction))
    else:
        assert Account(risk_fraction=D(fraction)).risk_fraction == D(fraction)


def test_more_than_a_fiftieth_gives_a_warning_with_the_sum() -> None:
    def told(equity: int | None, currency: str, fraction: str) -> str:
        return Account(
            equity=None if equity is None else D(equity), currency=currency, risk_fraction=D(fraction)
        ).large_risk.partition(";")[0]

    assert told(50_000, "EUR", "0.02") == ""
    assert told(50_000, "EUR", "0.0201") == "one trade may lose 2.01 % of the equity, 1005.00 EUR"
    assert told(50_000, "", "0.05") == "one trade may lose 5 % of the equity, 2500.00 in a currency that is not given"
    assert told(None, "", "0.1") == "one trade may lose 10 % of the equity"


def warned(amount: str | None, turnover: str | None = None, spread: str = "0", risk: str = "2") -> list[str]:
    """Give the warnings at 100.00, with 50 USD a point, an equity of 10,000 EUR and 0.50 EUR per dollar."""
    holder = Account(equity=D(10_000), currency="EUR", fx={"USD": D("0.5")})
    instrument = replace(contract("50", "0.01"), costs=Costs(spread=Cost.of(spread)))
    return size_warnings(
        holder,
        instrument,
        D(100),
        D(risk),
        None if amount is None else D(amount),
        None if turnover is None else D(turnover),
    )


def test_a_position_worth_more_than_the_equity_gives_a_warning() -> None:
    # One unit is worth 100 × 50 USD, which are 2,500 EUR: four are worth the equity.
    assert warned("4") == []
    assert warned("5") == ["the position is worth 12\u202f500.00 EUR, 1.25 times the equity"]


def test_a_stop_nearer_than_the_costs_gives_a_warning_at_any_size() -> None:
    assert warned("1", spread="2.00") == []
    for amount in ("1", "0", None):
        assert warned(amount, spread="2.01") == [
            "the stop is nearer than the costs: R is 2, the costs of both ways are 2.01"
        ]


def test_a_large_part_of_a_days_turnover_gives_a_warning() -> None:
    # One unit is worth 5,000 USD; 5 % of 100,000 USD.
    assert warned("1", turnover="100000") == []
    assert warned("1", turnover="99999") == ["the position is 5 % of a median day's turnover, 99\u202f999.00 USD"]
    assert warned("1", turnover="2500") == ["the position is 200 % of a median day's turnover, 2500.00 USD"]
    assert warned("1", turnover="0") == ["on a median day nothing is traded"]
    assert warned("0", turnover="0") == []
    assert warned("1") == []


def test_the_examples_in_docstrings_are_right() -> None:
    assert tuple(doctest.testmod(sys.modules[size.__module__])) == (0, 2)
