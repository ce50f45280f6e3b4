"""Stories as rows of the table of trades, and the follower that reports only how they end."""

from __future__ import annotations

from datetime import UTC, datetime
from math import nan
from typing import TYPE_CHECKING, Any

from scanner.clocks import SECOND
from scanner.follow import steps
from scanner.follow.follower import Follower
from scanner.studies.schema import AROUND
from scanner.trade.surroundings import NAMES, NOT_JUDGED

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from decimal import Decimal

    from scanner.follow.follower import Story
    from scanner.follow.news import News, Record
    from scanner.follow.outcome import Outcome
    from scanner.judgement import Weighed

Row = dict[str, Any]
"""A row of the table of trades, by column; times are nanoseconds since 1970 UTC, None if there are none."""

NO_COST_GIVEN = 0.05
"""The cost of a trade in R if no costs are given."""

MONTHS = 12
UNKNOWN = dict.fromkeys((AROUND + name for name in NAMES), "unknown")


class Ends(Follower):
    """A follower that passes the outcomes of stories to ``came``; other news takes no time."""

    telling = steps.SWING | steps.TO_ENTRY | steps.ENDED
    """Stops are raised in exact decimals, and ended stories are removed."""
    came: Callable[[Outcome], None]

    def _tell(self, record: Record, story: Story, index: int, was: Decimal) -> Iterable[News]:
        del index, was
        if record["news"] & steps.ENDED:
            self.came(self._now(record, story))
        return ()


def told_of(found: Weighed) -> Row:
    """Give the columns of a row about the setup itself."""
    if found.facts is None:
        raise AssertionError("only a warm series has setups to study")
    return {
        "setup": found.setup.name,
        "direction": found.direction,
        "place": found.place or "",
        "set_aside": found.set_aside,
        "evidence_points": found.evidence_points,
        "evidence_total": found.evidence_total,
        "exit_style": "ride" if found.facts.close_beyond_slow else "quick",
        **{
            AROUND + name: "unknown"
            if measure["text"].startswith(NOT_JUDGED)
            else "holds"
            if measure["verdict"]
            else "fails"
            for name, measure in found.surroundings.items()
        },
    }


def when(found_at: int) -> Row:
    """Give the columns that say when a setup was found."""
    moment = datetime.fromtimestamp(found_at // SECOND, UTC)
    return {"found_at": found_at, "month": MONTHS * moment.year + moment.month - 1, "hour": moment.hour}


def what_came(now: Outcome, atr: float) -> Row:
    """Give the columns of a story's outcome; ``atr`` is that of the setup's last bar.

    R is in the risk of the fill, exact from the prices, and rounded once, to the nearest float.
    """
    row: Row = {
        "state": now.state,
        "entered_at": now.entered_at,
        "ended_at": now.ended_at,
        "bars_waited": now.waited,
        "bars_held": now.held,
        "planned_entry": float(now.planned),
        "entry": _float(now.entry),
        "first_stop": float(now.first_stop),
        "stop": float(now.stop),
        "exit": _float(now.exit),
        "cost_known": now.cost is not None,
        "gapped_stop": now.state == "stopped" and now.exit is not None and now.sign * (now.stop - now.exit) > 0,
        "both_in_one_bar": now.state == "stopped" and now.entered_at == now.ended_at,
    }
    row |= dict.fromkeys(("risk", "risk_atr", "gross_r", "cost_r", "net_r", "best_r", "worst_r"), nan)
    risk, entry = now.risk, now.entry
    if entry is None or risk is None:
        return row

    def in_risks(price: Decimal | None) -> float:
        return nan if price is None else float(now.sign * (price - entry) / risk)

    row |= {"risk": float(risk), "risk_atr": float(risk) / atr if atr else nan}
    row |= {"best_r": in_risks(now.best), "worst_r": in_risks(now.worst)}
    gross = in_risks(now.left_at(now.exit))
    if now.exit is not None:
        cost = NO_COST_GIVEN if now.cost is None else float(now.cost / risk)
        row |= {"gross_r": gross, "cost_r": cost, "net_r": gross - cost}
    return row


def _float(price: Decimal | None) -> float:
    return nan if price is None else float(price)
