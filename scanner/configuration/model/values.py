"""The kinds of value in a configuration: how each is written, and the error for a wrong one."""

from __future__ import annotations

import re
from datetime import date, datetime, time
from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from scanner.market.costs import Cost
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.wording.times import known_zone

EU_SHARES = "eu_shares:"


def _a_timeframe(text: str) -> str:
    return Timeframe.named(text).name


def _a_calendar(text: str) -> str:
    calendar_named(text)
    return text


def _a_currency(text: str) -> str:
    if not re.fullmatch("[A-Z]{3}", text):
        raise ValueError(f'must be three capital letters (ISO 4217) such as EUR, not "{text}"')
    return text


def _a_ratio(text: str) -> str:
    new, _, old = text.partition(":")
    if not all(part.isascii() and part.isdigit() and int(part) for part in (new, old)):
        raise ValueError(f'must be new shares for old, such as "2:1", not "{text}"')
    return text


def _a_day(text: str) -> str:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f'must be a date such as 2026-06-12, not "{text}"') from None
    return text


def _a_time_of_day(value: object) -> time:
    text = value.isoformat() if isinstance(value, time) else str(value)
    if not re.fullmatch("([01][0-9]|2[0-3]):[0-5][0-9](:00)?", text):  # a number would be read as seconds
        raise ValueError(f'must be a time of day such as 18:00, not "{text}"')
    return time.fromisoformat(text)


def _as_text(value: object) -> object:
    """Turn numbers and dates, for which TOML has its own forms, back into text."""
    if isinstance(value, bool):
        return value
    return str(value) if isinstance(value, int | float | Decimal) else _iso(value)


def _iso(value: object) -> object:
    return value.isoformat() if isinstance(value, date) else value


def _a_cost(value: object) -> Cost:
    is_number = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
    return Cost.of(f"{Decimal(str(value)):f}" if is_number else str(value))


def _a_step(text: str) -> str:
    steps_of(text)
    return text


def steps_of(text: str) -> PriceSteps:
    """Make price steps from their setting; ValueError says which values are allowed."""
    if text == "us_shares":
        return PriceSteps.us_shares()
    try:
        if text.startswith(EU_SHARES):
            return PriceSteps.eu_shares(int(text.removeprefix(EU_SHARES)))
        return PriceSteps.fixed(Decimal(text))
    except (ValueError, ArithmeticError):
        raise ValueError(f"{text!r} is not a price step; write a number above 0, us_shares or eu_shares:450") from None


PositiveDecimal = Annotated[Decimal, Field(gt=0)]
TimeframeName = Annotated[str, AfterValidator(_a_timeframe)]
Zone = Annotated[str, AfterValidator(known_zone)]
CalendarName = Annotated[str, AfterValidator(_a_calendar)]
Expense = Annotated[Cost, BeforeValidator(_a_cost)]
Step = Annotated[str, BeforeValidator(_as_text), AfterValidator(_a_step)]
Currency = Annotated[str, AfterValidator(_a_currency)]
Day = Annotated[str, BeforeValidator(_iso), AfterValidator(_a_day)]
Ratio = Annotated[str, AfterValidator(_a_ratio)]
TimeOfDay = Annotated[time, BeforeValidator(_a_time_of_day)]
