"""Stories as rows of the table of trades, and the follower that reports only how they end."""

from __future__ import annotations

from datetime import UTC, datetime
from math import nan
from typing import TYPE_CHECKING, Any

from scanner.clocks import SECOND
from scanner.judgement import places_of
from scanner.studies.schema import AROUND
from scanner.trade.around import FAILS, HOLDS, UNJUDGED
from scanner.trade.levels import BEYOND_SLOW
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from decimal import Decimal

    from scanner.follow.outcome import Outcome
    from scanner.judgement import Weighed

Row = dict[str, Any]
"""A row of the table of trades, by column; times are nanoseconds since 1970 UTC, None if there are none."""

NO_COST_GIVEN = 0.05
"""The cost of a trade in R if no costs are given."""

MONTHS = 12
WHOLE = {FAILS: "fails", HOLDS: "holds", UNJUDGED: "unknown"}
"""What a row says of a surrounding."""
UNKNOWN = dict.fromkeys((AROUND + name for name in NAMES), "unknown")


def told_of(weighed: Weighed) -> list[Row]:
    """Give the columns of rows about the setups themselves."""
    fits, rows = weighed.fits, weighed.rows
    signs, found, setups = fits.spots[rows, 1].tolist(), fits.found.places[rows], fits.series.pool.setups
    aside = weighed.set_aside.tolist()
    around = [[WHOLE[code] for code in row] for row in weighed.looked.whole.tolist()]
    names = [AROUND + name for name in NAMES]
    return [
        {
            "setup": setups[which].setup.name,
            "direction": "long" if sign > 0 else "short",
            "place": place,
            "set_aside": weighed.why_set_aside(number) if aside[number] else "",
            "evidence_points": points,
            "evidence_total": total,
            "exit_style": "ride" if ride else "quick",
            **dict(zip(names, around[number], strict=True)),
        }
        for number, (which, sign, place, points, total, ride) in enumerate(
            zip(
                fits.which[rows].tolist(),
                signs,
                places_of(found, ""),
                fits.counted[rows].tolist(),
                fits.total[rows].tolist(),
                weighed.planned[:, BEYOND_SLOW].tolist(),
                strict=True,
            )
        )
    ]


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
