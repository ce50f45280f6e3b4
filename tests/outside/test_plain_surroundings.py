"""The plain reading of surroundings and reach: each threshold just met and just missed, on hand-made figures."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from tests.outside.hand_tapes import bar, prices
from tests.outside.plain_indicators import Tape
from tests.outside.plain_levels import Entry
from tests.outside.plain_places import Places, within_reach
from tests.outside.plain_sessions import QUARTER
from tests.outside.plain_surroundings import (
    DAY,
    HOUR,
    Circumstances,
    Span,
    cost,
    dates,
    gap,
    hours,
    liquid,
    risk_size,
    room,
    volatility,
)

if TYPE_CHECKING:
    from tests.outside.plain_terms import Measured

T = 113
STEP = Decimal("0.01")


def entry(risk: str = "1", at: str = "100", room_in_r: str = "1") -> Entry:
    return Entry(Decimal(at), Decimal(risk), (), None, (), Decimal(room_in_r))


def tape(*last: str, atr: str = "1") -> Tape:
    """Make bars with a range of 1 around 100, these as the last ones, and a given ATR at the last."""
    bars = [bar("100 100.5 99.5 100")] * (T + 1 - len(last)) + [bar(text) for text in last]
    made = Tape(bars)
    made.atr = [*[Decimal(1)] * T, Decimal(atr)]
    return made


def quarters(*numbers: int, sessions: tuple[int, ...] = (T + 10,)) -> Circumstances:
    """Put the last bars at these numbers among all bars due, in sessions of a given length."""
    edges = [sum(sessions[:day]) for day in range(len(sessions) + 1)]
    due = [[QUARTER * n for n in range(*edges[day : day + 2])] for day in range(len(sessions))]
    first = numbers[0] - (T + 1 - len(numbers))
    opens = [QUARTER * n for n in (*range(first, numbers[0]), *numbers)]
    return Circumstances(opens, [open_ + QUARTER for open_ in opens], intraday=True, sessions=due)


def close_to(*spans: Span, intraday: bool = True) -> Measured:
    """Judge dates at a bar that closes at the end of day 100."""
    return dates(0, Circumstances([0], [100 * DAY], intraday=intraday, dates=spans))


JUDGED: dict[str, tuple[Measured, Measured]] = {
    "room": (room(entry(room_in_r="1")), room(entry(room_in_r="0.99"))),
    "cost": (
        cost(entry(), Circumstances(costs=[(Decimal("0.1"), "price")])),
        cost(entry(), Circumstances(costs=[(Decimal("0.1"), "price"), (Decimal("0.0001"), "%")])),
    ),
    "cost in money": (
        cost(entry(), Circumstances(costs=[(Decimal(5), "money")], point_value=Decimal(50))),
        cost(entry(), Circumstances(costs=[(Decimal(5), "money")], point_value=Decimal(49))),
    ),
    "volatility": (  # r <= 1.15 · (99 + r) / 100 up to r = 1.15175
        volatility(tape(atr="1.1517"), T),
        volatility(tape(atr="1.1518"), T),
    ),
    "smallest bar": (
        liquid(tape("100 100.05 100 100 9", "100 101 99 100 9"), T, 2, STEP, entry(), Circumstances()),
        liquid(tape("100 100.04 100 100 9", "100 101 99 100 9"), T, 2, STEP, entry(), Circumstances()),
    ),
    "R in steps": (
        liquid(tape(), T, 1, STEP, entry("0.20"), Circumstances()),
        liquid(tape(), T, 1, STEP, entry("0.19"), Circumstances()),
    ),
    "bars without volume": (
        liquid(tape("100 101 99 100 0"), T, 1, STEP, entry(), Circumstances()),
        liquid(tape("100 101 99 100 0", "100 101 99 100 -"), T, 1, STEP, entry(), Circumstances()),
    ),
    "missing bars": (
        liquid(tape(), T, 1, STEP, entry(), quarters(T, T + 2)),
        liquid(tape(), T, 1, STEP, entry(), quarters(T, T + 3)),
    ),
    "turnover": (
        liquid(tape(), T, 1, STEP, entry(), Circumstances(min_turnover=Decimal(10_000))),
        liquid(tape(), T, 1, STEP, entry(), Circumstances(min_turnover=Decimal(10_001))),
    ),
    "after the opening": (
        hours(T, 2, quarters(T + 2, T + 3, sessions=(T, 26))),
        hours(T, 2, quarters(T + 1, T + 2, sessions=(T, 26))),
    ),
    "before the close": (
        hours(T, 2, quarters(T + 22, T + 23, sessions=(T, 26))),
        hours(T, 2, quarters(T + 23, T + 24, sessions=(T, 26))),
    ),
    "one session": (
        hours(T, 2, quarters(T + 2, T + 3, sessions=(T, 26))),
        hours(T, 2, quarters(T - 3, T + 3, sessions=(T, 26))),
    ),
    "a date ahead": (
        close_to(Span(100 * DAY + 2 * HOUR + 1, 100 * DAY + 2 * HOUR + 1)),
        close_to(Span(100 * DAY + 2 * HOUR, 100 * DAY + 2 * HOUR)),
    ),
    "a date behind": (
        close_to(Span(98 * DAY, 100 * DAY - 2 * HOUR - 1)),
        close_to(Span(98 * DAY, 100 * DAY - 2 * HOUR)),
    ),
    "a date of daily bars": (
        close_to(Span(110 * DAY + 1, 111 * DAY), intraday=False),
        close_to(Span(110 * DAY, 111 * DAY), intraday=False),
    ),
    "gap": (
        gap(tape("100.5 101 99 100", "100.5 101 99 100"), T, 2),
        gap(tape("100.5 101 99 100", "100.51 101 99 100"), T, 2),
    ),
    "risk_size": (risk_size(tape(), T, entry("2")), risk_size(tape(), T, entry("2.01"))),
}


@pytest.mark.parametrize("name", JUDGED)
def test_a_surrounding_holds_on_its_threshold_and_not_beyond(name: str) -> None:
    met, missed = JUDGED[name]
    assert (met.verdict, missed.verdict) == (True, False)
    assert None not in (met.measured, missed.measured)


def test_what_cannot_be_judged_holds() -> None:
    nothing = Circumstances()
    for judged in (
        room(None),
        cost(entry(), nothing),
        cost(None, Circumstances(costs=[(Decimal(1), "price")])),
        hours(T, 1, nothing),
        dates(T, nothing),
        gap(tape(), T, 1),
        risk_size(tape(), T, entry("-1")),
        volatility(tape(), 98),
    ):
        assert judged == (None, True)


@pytest.mark.parametrize(("base", "reached"), [("102", True), ("102.01", False), ("99", True)])
def test_the_stop_base_is_within_two_atr_of_the_pullback_low(base: str, reached: bool) -> None:
    (low,) = prices("100")
    assert within_reach(tape(), T, Decimal(base), Places(T, low, {}, None, ())) == reached
