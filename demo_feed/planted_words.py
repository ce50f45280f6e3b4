"""What is written of the planted cases: where each stands and what must be said of it, as TOML."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from demo_feed.rule_check import WARM_UP
from demo_feed.trading_times import BAR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from demo_feed.exchange import Market, Quoted
    from demo_feed.planting import Planted
    from demo_feed.trading_times import Times

HEAD = """\
# What was planted in the demo feed, and what must be said of it. Invented, like all of the feed; written by
# make_demo_feed.py, whose own check of the rules shares nothing with the engine.
#
# [[case]]: a setup that must be found, or a decoy that must be missed for the one rule named (warm_up: everything
# holds, and the series is not warm). Levels are those of the break entry. «after» is what the next bars do.
# [[series]]: a leap that must put the series on hold, the bar at which it is warm again, a leap that is no split.
# [[damage]]: lines of TORNLEDGER.csv and what is wrong with them.
"""


def _moment(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _close_of(times: Times, bar: int) -> str:
    return _moment(int(times.opens[bar]) + BAR)


def about_case(quoted: Quoted, times: Times, planted: Planted) -> dict[str, Any]:
    """Say where a case stands and what must be said of it."""
    case, outcome, sign = planted.case, planted.outcome, planted.sign
    said: dict[str, Any] = {
        "name": case.name,
        "says": case.says,
        "instrument": quoted.symbol,
        "bar_close": _close_of(times, planted.end),
        "direction": "long" if sign > 0 else "short",
    }
    if case.misses:
        return said | {"expected": "missed", "rule": case.misses}

    def price(steps: int) -> str:
        return f"{Decimal(quoted.step) * (sign * steps):f}"

    plan, places = outcome.plan, outcome.places
    levels = {
        "early": price(plan.early),
        "break": price(plan.break_),
        "stop": price(plan.stop),
        "objectives": [price(goal) for goal in plan.objectives],
    }
    if plan.average is not None:
        levels["average"] = price(plan.average)
    if places.obstacle is not None:
        levels["obstacle"] = price(places.obstacle)
    said |= {
        "expected": "found",
        "places": list(places.names),
        "evidence": [name for name, holds in outcome.evidence.items() if holds],
        "evidence_total": sum(holds is not None for holds in outcome.evidence.values()),
        "exit": plan.exit,
        "stop_base": plan.stop_base,
        "stop_margin": plan.margin,
        "obstacle_is_average": places.obstacle_is_average,
    }
    said |= {f"levels.{name}": value for name, value in levels.items()}
    if case.after:
        said["after"] = case.after
    if planted.average_close:
        said["average_close"] = _close_of(times, planted.end + planted.average_close)
        said["average_close_beyond_b"] = planted.beyond_b
    return said


def about_series(symbol: str, market: Market) -> list[dict[str, Any]]:
    """Say at which bars a series is put on hold, is warm again, or leaps without being held."""
    said = []
    if market.split:
        for expected, bar in (("held", market.split), ("resumed", market.split + WARM_UP - 1)):
            said.append({"instrument": symbol, "bar_close": _close_of(market.times, bar), "expected": expected})
    if market.leap:
        said.append({"instrument": symbol, "bar_close": _close_of(market.times, market.leap), "expected": "not held"})
    return said


def as_toml(
    cases: Sequence[dict[str, Any]], series: Sequence[dict[str, Any]], damage: Sequence[tuple[int, str]]
) -> str:
    """Write it all as TOML; what JSON makes of a text, a number, a truth or a list is TOML as well."""
    tables = [("case", case) for case in cases] + [("series", each) for each in series]
    tables += [("damage", {"line": line, "reason": reason}) for line, reason in damage]
    parts = [HEAD]
    for name, content in tables:
        lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in content.items()]
        parts.append("\n".join([f"[[{name}]]", *lines]) + "\n")
    return "\n".join(parts)
