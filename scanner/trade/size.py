"""Size: how much to trade so that the stop costs no more than the chosen part of the equity. Exact decimals."""

from __future__ import annotations

from decimal import ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING, Annotated

from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from scanner.market.instruments import Instrument


class Account(BaseModel):
    """What is traded with. Without an equity no size is given."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    equity: Decimal | None = Field(None, gt=0, description="money in the account, in its currency")
    currency: str = Field("", pattern="^([A-Z]{3})?$", description="the account's currency, ISO 4217")
    risk_fraction: Decimal = Field(Decimal("0.01"), gt=0, lt=1, description="part of the equity a trade may lose")
    max_notional: Decimal | None = Field(None, gt=0, description="greatest value of a position, in account currency")
    fx: dict[str, Annotated[Decimal, Field(gt=0)]] = Field(
        default_factory=dict, description="value of one unit of a currency in account currency"
    )


def size(account: Account, instrument: Instrument, entry: Decimal, risk: Decimal) -> tuple[Decimal | None, str]:
    """Give the size for a trade that loses ``risk`` (price points, > 0) at its stop, and how it came about.

    equity × risk fraction / (risk × point value × fx), down to the lot step, capped by the greatest notional.
    None with the reason where there is no equity or no rate; zero with the reason where even one lot is too much.
    """
    if account.equity is None:
        return None, "no equity given"
    rate = account.fx.get(instrument.currency)
    if rate is None:
        if account.currency and instrument.currency and account.currency != instrument.currency:
            return None, f"no rate from {instrument.currency} to {account.currency} given"
        rate = Decimal(1)
    money = account.equity * account.risk_fraction
    per_unit = risk * instrument.point_value * rate
    lot = instrument.lot_step
    lots = (money / (per_unit * lot)).to_integral_value(ROUND_FLOOR)
    # The division is rounded to the context's digits: step back where that rounded up to a whole lot.
    if lots * lot * per_unit > money:
        lots -= 1
    reason = f"{money:f} at risk, {per_unit:f} a unit"
    if account.max_notional is not None:
        value = abs(entry) * instrument.point_value * rate * lot
        if value and lots * value > account.max_notional:
            lots = (account.max_notional / value).to_integral_value(ROUND_FLOOR)
            reason += f", capped at a notional of {account.max_notional:f}"
    if lots <= 0:
        return Decimal(0), f"too small to trade: {reason}, and the least lot is {lot:f}"
    return lots * lot, reason
