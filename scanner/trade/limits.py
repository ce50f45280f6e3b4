"""How much may be at risk at once, in the user's judgement."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

from pydantic import Field

from scanner.wording.config_table import ConfigTable

Ceiling = Annotated[Decimal, Field(gt=0)]


class Limits(ConfigTable):
    """The table ``[limits]``: ceilings of the open risk, in R. An alert warns if taking it would exceed one."""

    open_risk: Ceiling = Field(Decimal(3), description="greatest open risk of all positions, in R")
    group_risk: Ceiling = Field(Decimal("1.5"), description="greatest open risk of a group, in R")
    currency_risk: Ceiling | None = Field(None, description="greatest open risk in a currency, in R")
    side_risk: Ceiling | None = Field(None, description="greatest open risk of all long or all short positions, in R")
    rate_days: int = Field(7, ge=0, description="days after fx_date from which the rates of fx are called old")
