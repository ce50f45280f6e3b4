"""The plan: entries, stop, objectives, room and exit style, in exact decimals, each level with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import isnan
from typing import TYPE_CHECKING, NamedTuple, get_args

from scanner.event_data import EntryStyle
from scanner.trade import levels
from scanner.trade.levels import BEYOND_SLOW, BROKEN, GOAL, GOALS, OBSTACLE, PRICE, RISK, ROOM, STOP, grid_of
from scanner.trade.size import cost_warning, money_at_risk, size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.analysis.rules import Rules
    from scanner.event_data import Entry, ExitPlan, Levels
    from scanner.market.instruments import Instrument
    from scanner.trade.levels import Grid
    from scanner.trade.size import Account

STYLES: tuple[EntryStyle, ...] = get_args(EntryStyle)
"""The entry styles, in the order of the compiled code."""


class Facts(NamedTuple):
    """The inputs of any setup's plan: prices at the bar that completed it, and their descriptions.

    ``planned`` is the result of ``levels.plan``. The texts describe trigger and base («the last bar's high»).
    ``obstacles`` are all prices ahead of the close, with their descriptions («swing high»), nearest first.
    """

    sign: int
    close: float
    base: float
    atr: float
    planned: Sequence[float]
    trigger_text: str
    base_text: str
    obstacles: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """The levels and the reasons for them; ``style`` is that of the entry that is followed."""

    style: EntryStyle
    levels: Levels
    level_reasons: dict[str, str]
    entries: dict[str, Entry]
    exit_plan: ExitPlan


def make(facts: Facts, rules: Rules, instrument: Instrument, account: Account, *, halves: bool) -> Plan:
    """Describe the plan of a setup, with a size in ``halves`` or not.

    Prices that cannot be traded give a reason, never an error.
    """
    grid, sign, planned = grid_of(instrument.steps), facts.sign, facts.planned
    over = "above" if sign > 0 else "below"
    base = Decimal(repr(facts.base))
    margin = max(instrument.steps.at(base), Decimal(repr(rules.stop_margin)) * Decimal(repr(facts.atr)))
    stop, void_early, void_break = (grid.price(planned[level]) for level in range(STOP, STOP + 3))
    passed = [
        f"{grid.price(levels.on_step(price, -sign, facts.close, grid.bands, grid.units)):f} {text}"
        for price, text in facts.obstacles[: int(max(planned[BROKEN : BROKEN + len(STYLES)]))]
    ]
    reasons = {
        "early": "open of the next bar, estimated at the close; "
        f"void if it opens {over} {void_early:f}, or at the stop or beyond",
        "break": f"one step {over} {facts.trigger_text}, as a stop order; void after an open {over} {void_break:f}",
        "average": f"close is {over} the {rules.fast_average}-bar average already"
        if isnan(planned[PRICE + STYLES.index("average")])
        else f"open after the first close {over} the {rules.fast_average}-bar average, estimated at that average; "
        f"void if it opens more than {_four_digits(rules.gap_limit * facts.atr)} {over} the close before it, "
        "or at the stop or beyond",
        "stop": f"{_four_digits(float(margin))} beyond {facts.base_text}",
    }
    entries: dict[str, Entry] = {
        style: _entry(facts, number, grid, stop, passed, reasons[style], rules, instrument, account, halves=halves)
        for number, style in enumerate(STYLES)
    }
    chosen = entries[rules.entry_style]
    told: Levels = {
        "early": entries["early"]["price"],
        "break": entries["break"]["price"],
        "average": entries["average"]["price"],
        "stop": f"{stop:f}",
        "objectives": chosen["objectives"],
        "obstacle": chosen["obstacle"],
    }
    exit_plan: ExitPlan = (
        {"style": "ride", "reason": f"close is {over} the {rules.slow_average}-bar average"}
        if planned[BEYOND_SLOW]
        else {"style": "quick", "reason": f"close is not {over} the {rules.slow_average}-bar average"}
    )
    return Plan(rules.entry_style, told, reasons | {"obstacle": chosen["obstacle_text"]}, entries, exit_plan)


def _four_digits(distance: float) -> str:
    return f"{Decimal(f'{distance:.4g}'):f}"


def _entry(
    facts: Facts,
    style: int,
    grid: Grid,
    stop: Decimal,
    passed: Sequence[str],
    reason: str,
    rules: Rules,
    instrument: Instrument,
    account: Account,
    *,
    halves: bool,
) -> Entry:
    """Describe one entry: its price, risk, objectives, obstacle, room and size; ``passed`` are obstacles before it."""
    planned, broken = facts.planned, int(facts.planned[BROKEN + style])
    entry: Entry = {
        "price": None,
        "risk": None,
        "objectives": [],
        "obstacle": None,
        "obstacle_text": reason,
        "being_broken": [],
        "room": None,
        "size": None,
        "size_reason": reason,
        "at_risk": None,
        "reason": reason,
    }
    if isnan(planned[PRICE + style]):
        return entry
    price = grid.price(planned[PRICE + style])
    entry["price"], entry["being_broken"] = f"{price:f}", list(passed[:broken])
    entry["obstacle_text"] = f"nothing ahead in {rules.obstacle_span} bars"
    if broken < len(facts.obstacles):
        entry["obstacle"] = f"{grid.price(planned[OBSTACLE + style]):f}"
        entry["obstacle_text"] = facts.obstacles[broken][1]
    if isnan(planned[RISK + style]):
        entry["reason"] = entry["size_reason"] = f"not plannable: the stop {stop:f} is not beyond the entry {price:f}"
        return entry
    risk, room, first = abs(price - stop), planned[ROOM + style], GOAL + style * GOALS
    entry["risk"] = f"{risk:f}"
    entry["reason"] = "; ".join(filter(None, (reason, cost_warning(instrument, price, risk))))
    entry["objectives"] = [f"{grid.price(goal):f}" for goal in planned[first : first + GOALS]]
    entry["room"] = None if isnan(room) else f"{room:.2f}"
    amount, entry["size_reason"] = size(account, instrument, price, risk, halves=halves)
    if amount is not None:
        entry["size"] = f"{amount:f}"
        money = money_at_risk(account, instrument, risk, amount)
        entry["at_risk"] = None if money is None else f"{money:f}"
    return entry
