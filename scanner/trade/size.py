"""Size: how much to trade so that the stop costs no more than the chosen part of the equity. Exact decimals."""

from __future__ import annotations

import re
from datetime import date  # noqa: TC003 - pydantic reads the annotation
from decimal import ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, ValidationInfo, field_validator

from scanner.market.digits import grouped
from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from scanner.market.instruments import Instrument

LARGE_RISK = Decimal("0.02")
"""A part of the equity that one trade may lose, above which the user is warned."""
GREATEST_RISK = Decimal("0.10")
"""A part of the equity above which a typing error is likely; more is refused."""
LARGE_PART_OF_TURNOVER = Decimal("0.05")
"""A part of a median day's turnover above which a position is hard to leave."""


class Account(ConfigTable):
    """The account. Without an equity no size is given."""

    equity: Decimal | None = Field(None, gt=0, description="money in the account, in its currency")
    currency: str = Field("", pattern="^([A-Z]{3})?$", description="the account's currency, ISO 4217")
    risk_fraction: Decimal = Field(Decimal("0.01"), gt=0, description="part of the equity a trade may lose")
    max_notional: Decimal | None = Field(None, gt=0, description="greatest value of a position, in account currency")
    fx_date: date | None = Field(None, description="the day of the rates in fx")
    fx: dict[str, Annotated[Decimal, Field(gt=0)]] = Field(
        default_factory=dict, description="value of one unit of a currency in account currency"
    )

    @field_validator("risk_fraction")
    @classmethod
    def _at_most_greatest_risk(cls, value: Decimal) -> Decimal:
        if value > GREATEST_RISK:
            raise ValueError(
                f"one trade may lose at most {GREATEST_RISK} of the equity, not {value}; write 1 % as 0.01"
            )
        return value

    @field_validator("fx")
    @classmethod
    def _of_other_currencies(cls, rates: dict[str, Decimal], about: ValidationInfo) -> dict[str, Decimal]:
        own = about.data.get("currency")
        if own in rates:
            raise ValueError(f"{own} is the currency of the account, so one is worth one; take it out")
        if strange := [code for code in rates if not re.fullmatch("[A-Z]{3}", code)]:
            raise ValueError(f"{strange[0]!r} must be three capital letters (ISO 4217) such as EUR")
        return rates

    @property
    def large_risk(self) -> str:
        """Warn of what one trade may lose, if that is much; else empty."""
        if self.risk_fraction <= LARGE_RISK:
            return ""
        text = f"one trade may lose {_percent(self.risk_fraction)} of the equity"
        if self.equity is not None:
            text += f", {_money(self.equity * self.risk_fraction, self.currency)}"
        return f"{text}; above {_percent(LARGE_RISK)}, a few losses in a row weigh heavily"


def rate_of(account: Account, currency: str) -> tuple[Decimal | None, str]:
    """Give the value of one unit of an instrument's currency in that of the account; None with the reason.

    If neither currency is known, they are taken to be the same.
    """
    if currency == account.currency:
        return Decimal(1), ""
    if currency in account.fx:
        return account.fx[currency], ""
    if not account.currency:
        reason = f"the prices are in {currency}, but the currency of the equity is not given"
        return None, f"{reason}: give it with --currency, or as currency in [account]"
    if not currency:
        reason = f"the equity is in {account.currency}, but the currency of the prices is not given"
        return None, f"{reason}: give it with --currency, or as currency of the instrument"
    return None, f"no rate from {currency} to {account.currency} given"


def size(
    account: Account, instrument: Instrument, entry: Decimal, risk: Decimal, *, halves: bool = False
) -> tuple[Decimal | None, str]:
    """Give the size for a trade that loses ``risk`` (price points, > 0) at its stop, and how it came about.

    equity × risk fraction / (risk × point value × fx), down to the lot step, capped by the greatest notional. In
    ``halves`` it is an even number of lots, so that half of it can be closed.
    None with the reason if there is no equity or no rate; zero with the reason if even one lot is too much.
    """
    if account.equity is None:
        return None, "no equity given"
    rate, missing = rate_of(account, instrument.currency)
    if rate is None:
        return None, missing
    money = account.equity * account.risk_fraction
    per_unit = risk * instrument.point_value * rate
    lot = instrument.lot_step * (2 if halves else 1)
    lots = (money / (per_unit * lot)).to_integral_value(ROUND_FLOOR)
    # The division is rounded to the context's digits: step back if that rounded up to a whole lot.
    if lots * lot * per_unit > money:
        lots -= 1
    unit = account.currency and f" {account.currency}"
    reason = f"risk limit {grouped(f'{money:f}')}{unit}, {per_unit:f}{unit} a unit"
    if account.max_notional is not None:
        value = abs(entry) * instrument.point_value * rate * lot
        if value and lots * value > account.max_notional:
            lots = (account.max_notional / value).to_integral_value(ROUND_FLOOR)
            reason += f", capped at a notional of {account.max_notional:f}{unit}"
    if halves:
        reason += ", in two halves"
    if not account.currency:
        same = "" if instrument.currency else " and taken to be that of the prices"
        reason += f", in the currency of the equity, which is not given{same}"
    if lots <= 0:
        return Decimal(0), f"too small to trade: {reason}, and the smallest size is {lot:f}"
    return lots * lot, reason


def money_at_risk(account: Account, instrument: Instrument, risk: Decimal, amount: Decimal) -> Decimal | None:
    """Give the loss of a trade of a size at its stop, before costs, in the currency of the account.

    None if the value of the prices' currency there is unknown.
    """
    rate, _ = rate_of(account, instrument.currency)
    return None if rate is None else amount * risk * instrument.point_value * rate


def cost_warning(instrument: Instrument, entry: Decimal, risk: Decimal) -> str:
    """Say in a clause that the costs are more than the risk of a trade; empty if they are not."""
    cost = instrument.costs.in_price(entry, instrument.point_value)
    if cost <= risk:
        return ""
    return f"the stop is nearer than the costs: R is {risk:f}, the costs of both ways are {cost:f}"


def size_warnings(
    account: Account,
    instrument: Instrument,
    entry: Decimal,
    risk: Decimal,
    amount: Decimal | None,
    daily_turnover: Decimal | None,
) -> list[str]:
    """List the hazards of a trade of a size, a clause each with its figure.

    ``amount`` is the result of ``size``. ``daily_turnover`` is the median of a day in the instrument's currency, None
    if unknown.
    """
    found = list(filter(None, [cost_warning(instrument, entry, risk)]))
    if not amount:
        return found
    value = amount * abs(entry) * instrument.point_value
    rate, _ = rate_of(account, instrument.currency)
    if rate is not None and account.equity is not None and value * rate > account.equity:
        times = f"{value * rate / account.equity:.3g}"
        found.append(f"the position is worth {_money(value * rate, account.currency)}, {times} times the equity")
    if daily_turnover is not None and value > LARGE_PART_OF_TURNOVER * daily_turnover:
        if not daily_turnover:
            return [*found, "on a median day nothing is traded"]
        part, turnover = _percent(value / daily_turnover), _money(daily_turnover, instrument.currency)
        found.append(f"the position is {part} of a median day's turnover, {turnover}")
    return found


def _money(amount: Decimal, currency: str) -> str:
    """Write an amount of money to the cent, with its currency.

    >>> _money(Decimal("1500.000"), "EUR"), _money(Decimal("12.345"), "")
    ('1500.00 EUR', '12.34 in a currency that is not given')
    """
    return f"{grouped(f'{amount:.2f}')} {currency or 'in a currency that is not given'}"


def _percent(part: Decimal) -> str:
    """Write a part of a whole as per cent, to three digits.

    >>> _percent(Decimal("0.0250")), _percent(Decimal("12.5")), _percent(Decimal("0.1234"))
    ('2.5 %', '1250 %', '12.3 %')
    """
    return f"{float(100 * part):.3g} %" if part < 1 else f"{float(100 * part):.0f} %"
