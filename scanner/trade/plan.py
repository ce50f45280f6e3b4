"""The plan: entries, stop, objectives, room and how to leave, in exact decimals, each level with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.analysis.rules import TIE
from scanner.market.price_steps import EXACT
from scanner.trade.size import size

if TYPE_CHECKING:
    from scanner.analysis.rules import Rules
    from scanner.events import Entry, ExitPlan, Levels
    from scanner.market.instruments import Instrument
    from scanner.trade.size import Account

OBJECTIVES = (1, 2, 3)
"""Objectives in multiples of the risk."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the plan is made from: prices at the bar t that completed the setup, D being the bar before it.

    ``obstacle`` is the nearest level or average ahead, None where there is none.
    """

    sign: int
    high_b: Decimal
    low_b: Decimal
    close_b: Decimal
    high_d: Decimal
    low_d: Decimal
    atr: Decimal
    fast_average: Decimal
    close_beyond_fast: bool
    close_beyond_slow: bool
    obstacle: Decimal | None
    obstacle_text: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The levels and how they came about."""

    levels: Levels
    level_reasons: dict[str, str]
    entries: dict[str, Entry]
    exit_plan: ExitPlan


def _stop_base(facts: Facts, rules: Rules) -> tuple[Decimal, str]:
    """Choose the extreme that the stop stands behind."""
    sign = facts.sign
    low = "low" if sign > 0 else "high"
    low_d, low_b = (facts.low_d, facts.low_b) if sign > 0 else (facts.high_d, facts.high_b)
    if sign * low_b >= sign * low_d:
        return low_d, f"the doji's {low}"
    if sign * (facts.close_b - low_b) > Decimal(repr(rules.stop_far)) * facts.atr:
        return low_d, f"the doji's {low}, since the last bar's is more than {rules.stop_far:g} ATR away"
    return low_b, f"the last bar's {low}"


def make(facts: Facts, rules: Rules, instrument: Instrument, account: Account) -> Plan:
    """Make the plan of a setup. Prices that cannot be traded are answers with a reason, never errors."""
    sign, steps = facts.sign, instrument.steps
    hair = Decimal(repr(TIE)) * abs(facts.close_b)

    def rounded(price: Decimal, direction: int) -> Decimal:
        """Round up or down as seen by a buyer; for a seller the sides swap."""
        # Averages and ATR are binary: what lies a hair off a step is on it.
        return steps.near_or_beyond(price, hair, up=direction * sign > 0)

    over, high = ("above", "high") if sign > 0 else ("below", "low")
    high_b = facts.high_b if sign > 0 else facts.low_b
    base, base_text = _stop_base(facts, rules)
    margin = max(steps.at(base), Decimal(repr(rules.stop_margin)) * facts.atr)
    stop = rounded(base - sign * margin, -1)

    early = rounded(facts.close_b, +1)
    break_ = rounded(high_b + sign * steps.at(high_b), +1)
    average = None if facts.close_beyond_fast else rounded(facts.fast_average, +1)
    void = rounded(facts.close_b + sign * Decimal(repr(rules.gap_limit)) * facts.atr, -1)
    reasons = {
        "early": f"open of the next bar, reckoned at the close; void if it opens {over} {void:f} or beyond the stop",
        "break": f"one step {over} the last bar's {high}, as a stop order",
        "average": f"close is {over} the {rules.fast_average}-bar average already"
        if average is None
        else f"open after the first close {over} the {rules.fast_average}-bar average, reckoned at that average",
        "stop": f"{Decimal(f'{float(margin):.4g}'):f} beyond {base_text}",
        "obstacle": facts.obstacle_text,
    }
    obstacle = None if facts.obstacle is None else rounded(facts.obstacle, -1)
    entries: dict[str, Entry] = {}
    for style, price in (("early", early), ("break", break_), ("average", average)):
        entries[style] = _entry(price, stop, obstacle, reasons[style], facts, instrument, account)
    levels: Levels = {
        "early": f"{early:f}",
        "break": f"{break_:f}",
        "average": None if average is None else f"{average:f}",
        "stop": f"{stop:f}",
        "objectives": entries[rules.entry_style]["objectives"],
        "obstacle": None if obstacle is None else f"{obstacle:f}",
    }
    exit_plan: ExitPlan = (
        {"style": "ride", "reason": f"close is {over} the {rules.slow_average}-bar average"}
        if facts.close_beyond_slow
        else {"style": "quick", "reason": f"close is not {over} the {rules.slow_average}-bar average"}
    )
    return Plan(levels, reasons, entries, exit_plan)


def _entry(
    price: Decimal | None,
    stop: Decimal,
    obstacle: Decimal | None,
    reason: str,
    facts: Facts,
    instrument: Instrument,
    account: Account,
) -> Entry:
    """Work out one way in: its risk, objectives, room and size."""
    sign, steps = facts.sign, instrument.steps
    entry: Entry = {
        "price": None if price is None else f"{price:f}",
        "risk": None,
        "objectives": [],
        "room": None,
        "size": None,
        "size_reason": reason,
        "reason": reason,
    }
    if price is None:
        return entry
    risk = sign * (price - stop)
    if risk <= 0:
        entry["reason"] = entry["size_reason"] = f"not plannable: the stop {stop:f} is not beyond the entry {price:f}"
        return entry
    goals = (price + sign * n * risk for n in OBJECTIVES)
    entry["risk"] = f"{risk:f}"
    entry["objectives"] = [f"{steps.round_down(goal) if sign > 0 else steps.round_up(goal):f}" for goal in goals]
    if obstacle is not None:
        room = EXACT.quantize(sign * (obstacle - price) / risk, Decimal("0.01"))
        entry["room"] = f"{EXACT.add(room, 0):f}"  # there is no negative zero
    amount, entry["size_reason"] = size(account, instrument, price, risk)
    entry["size"] = None if amount is None else f"{amount:f}"
    return entry
