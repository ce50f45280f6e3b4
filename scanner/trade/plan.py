"""The plan: entries, stop, objectives, room and how to leave, in exact decimals, each level with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, get_args

from scanner.analysis.rules import TIE
from scanner.event_data import EntryStyle
from scanner.market.price_steps import EXACT
from scanner.trade.size import money_at_risk, size

if TYPE_CHECKING:
    from scanner.analysis.rules import Rules
    from scanner.event_data import Entry, ExitPlan, Levels
    from scanner.market.instruments import Instrument
    from scanner.trade.size import Account

STYLES: tuple[EntryStyle, ...] = get_args(EntryStyle)
"""In the order of the compiled code."""

OBJECTIVES = (1, 2, 3)
"""Objectives in multiples of the risk."""


@dataclass(frozen=True, slots=True)
class Facts:
    """The inputs of any setup's plan: prices at the bar that completed it.

    A break entry must beat ``trigger``, and the stop lies behind ``base``; their texts describe them («the last bar's
    high»). ``obstacles`` are all prices ahead of the close, with their descriptions («swing high»), nearest first.
    """

    sign: int
    close: Decimal
    trigger: Decimal
    trigger_text: str
    base: Decimal
    base_text: str
    atr: Decimal
    fast_average: Decimal
    close_beyond_fast: bool
    close_beyond_slow: bool
    obstacles: tuple[tuple[Decimal, str], ...]


@dataclass(frozen=True, slots=True)
class Way:
    """One entry: its price, its risk, and the nearest obstacle beyond it with its description; None if there is none.

    ``broken`` are the obstacles that it breaks. There is no risk if the stop does not lie beyond the price.
    """

    price: Decimal | None
    risk: Decimal | None
    obstacle: tuple[Decimal, str] | None
    broken: tuple[tuple[Decimal, str], ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """The levels and how they came about."""

    levels: Levels
    level_reasons: dict[str, str]
    entries: dict[str, Entry]
    exit_plan: ExitPlan


def make(facts: Facts, rules: Rules, instrument: Instrument, account: Account) -> Plan:
    """Make the plan of a setup. Prices that cannot be traded give a reason, never an error."""
    sign = facts.sign
    over = "above" if sign > 0 else "below"
    margin = stop_margin(facts.base, facts.atr, rules, instrument)
    gap = sign * Decimal(repr(rules.gap_limit)) * facts.atr
    stop = stop_of(facts, rules, instrument)
    ways = {style: way(facts, style, stop, instrument) for style in STYLES}
    early, break_, average = (ways[style].price for style in STYLES)
    if early is None or break_ is None:
        raise AssertionError("only the average entry may have no price")

    def void(price: Decimal) -> str:
        return f"{_rounded(price + gap, -1, facts, instrument):f}"

    reasons = {
        "early": "open of the next bar, estimated at the close; "
        f"void if it opens {over} {void(facts.close)}, or at the stop or beyond",
        "break": f"one step {over} {facts.trigger_text}, as a stop order; void after an open {over} {void(break_)}",
        "average": f"close is {over} the {rules.fast_average}-bar average already"
        if average is None
        else f"open after the first close {over} the {rules.fast_average}-bar average, estimated at that average",
        "stop": f"{Decimal(f'{float(margin):.4g}'):f} beyond {facts.base_text}",
    }
    entries: dict[str, Entry] = {
        style: _entry(each, stop, reasons[style], sign, rules, instrument, account) for style, each in ways.items()
    }
    chosen = entries[rules.entry_style]
    levels: Levels = {
        "early": f"{early:f}",
        "break": f"{break_:f}",
        "average": None if average is None else f"{average:f}",
        "stop": f"{stop:f}",
        "objectives": chosen["objectives"],
        "obstacle": chosen["obstacle"],
    }
    exit_plan: ExitPlan = (
        {"style": "ride", "reason": f"close is {over} the {rules.slow_average}-bar average"}
        if facts.close_beyond_slow
        else {"style": "quick", "reason": f"close is not {over} the {rules.slow_average}-bar average"}
    )
    return Plan(levels, reasons | {"obstacle": chosen["obstacle_text"]}, entries, exit_plan)


def entry_price(facts: Facts, style: EntryStyle, instrument: Instrument) -> Decimal | None:
    """Give the price of an entry; None if there is no such entry."""
    if style == "early":
        return _rounded(facts.close, +1, facts, instrument)
    if style == "break":
        return _rounded(facts.trigger + facts.sign * instrument.steps.at(facts.trigger), +1, facts, instrument)
    return None if facts.close_beyond_fast else _rounded(facts.fast_average, +1, facts, instrument)


def way(facts: Facts, style: EntryStyle, stop: Decimal, instrument: Instrument) -> Way:
    """Examine one entry."""
    price = entry_price(facts, style, instrument)
    if price is None:
        return Way(None, None, None, ())
    sign, step, broken = facts.sign, instrument.steps.at(price), []
    for each, text in facts.obstacles:
        # Rounded toward the entry, which is on the grid: one step beyond stays one step beyond.
        at = _rounded(each, -1, facts, instrument)
        if sign * (at - price) >= step:
            obstacle = at, text
            break
        broken.append((at, text))
    else:
        obstacle = None
    risk = sign * (price - stop)
    return Way(price, risk if risk > 0 else None, obstacle, tuple(broken))


def stop_of(facts: Facts, rules: Rules, instrument: Instrument) -> Decimal:
    """Give the stop of a setup, whatever its entry."""
    margin = stop_margin(facts.base, facts.atr, rules, instrument)
    return stop_behind(facts.base, margin, facts.sign, facts.close, instrument)


def stop_margin(base: Decimal, atr: Decimal, rules: Rules, instrument: Instrument) -> Decimal:
    """Give the distance of a stop behind its base."""
    return max(instrument.steps.at(base), Decimal(repr(rules.stop_margin)) * atr)


def stop_behind(base: Decimal, margin: Decimal, sign: int, close: Decimal, instrument: Instrument) -> Decimal:
    """Give the stop at a distance behind a base, rounded away from the entry; ``close`` is that of its bar."""
    return _on_step(base - sign * margin, -sign, close, instrument)


def _rounded(price: Decimal, direction: int, facts: Facts, instrument: Instrument) -> Decimal:
    """Round up or down as seen by a buyer; for a seller the sides swap."""
    return _on_step(price, direction * facts.sign, facts.close, instrument)


def _on_step(price: Decimal, direction: int, close: Decimal, instrument: Instrument) -> Decimal:
    # Averages and ATR are binary: a value a hair off a step counts as on it.
    hair = Decimal(repr(TIE)) * max(abs(close), abs(price))
    return instrument.steps.near_or_beyond(price, hair, up=direction > 0)


def _entry(
    found: Way, stop: Decimal, reason: str, sign: int, rules: Rules, instrument: Instrument, account: Account
) -> Entry:
    """Describe one entry: its risk, objectives, obstacle, room and size."""
    steps, price, risk = instrument.steps, found.price, found.risk
    entry: Entry = {
        "price": None if price is None else f"{price:f}",
        "risk": None,
        "objectives": [],
        "obstacle": None,
        "obstacle_text": reason,
        "being_broken": [f"{at:f} {text}" for at, text in found.broken],
        "room": None,
        "size": None,
        "size_reason": reason,
        "at_risk": None,
        "reason": reason,
    }
    if price is None:
        return entry
    obstacle, entry["obstacle_text"] = found.obstacle or (None, f"nothing ahead in {rules.obstacle_span} bars")
    entry["obstacle"] = None if obstacle is None else f"{obstacle:f}"
    if risk is None:
        entry["reason"] = entry["size_reason"] = f"not plannable: the stop {stop:f} is not beyond the entry {price:f}"
        return entry
    goals = (price + sign * n * risk for n in OBJECTIVES)
    entry["risk"] = f"{risk:f}"
    entry["objectives"] = [f"{steps.round_down(goal) if sign > 0 else steps.round_up(goal):f}" for goal in goals]
    if obstacle is not None:
        room = EXACT.quantize(sign * (obstacle - price) / risk, Decimal("0.01"))
        entry["room"] = f"{EXACT.add(room, 0):f}"  # avoid negative zero
    amount, entry["size_reason"] = size(account, instrument, price, risk)
    if amount is not None:
        entry["size"] = f"{amount:f}"
        money = money_at_risk(account, instrument, risk, amount)
        entry["at_risk"] = None if money is None else f"{money:f}"
    return entry
