"""Studies of invented trades, as many as a test needs, and reports on them."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scanner.studies.figures import report as figures
from scanner.studies.figures.results import Hypothesis
from scanner.studies.schema import AROUND, MEMBERS, Study, StudyFile, Variant
from tests.studies.typed import empty, typed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import Report

DAY = 86_400_000_000_000
FIRST = 946_857_600_000_000_000
"""3 January 2000."""
AS_IS = Variant("as is", "as_is", "", None)
SAMPLES = 300
RULES = 12
"""Changes of the rules: each finds some trades that the rules as they are miss, and misses some that they find."""


def results(count: int, seed: int = 1) -> list[float]:
    """Invent skewed R: mostly a loss of 1, sometimes a large gain."""
    random = np.random.default_rng(seed)
    gains, losses = random.exponential(2.2, count), -1.05 + 0.1 * random.random(count)
    return [float(each) for each in np.where(random.random(count) < 0.31, gains, losses)]


def study_of(
    net: Sequence[float],
    *,
    controls: int = 2,
    instruments: Sequence[str] = ("GANNET", "FULMAR"),
    seed: int = 0,
    apart: int = 9,
) -> Study:
    """Make a study of closed setups with these R, one every ``apart`` days, and of controls drawn around 0."""
    random = np.random.default_rng(seed)
    setups = [_row(f"s{number:05}", number, value, instruments, apart) for number, value in enumerate(net)]
    others = [
        _row(f"o{number:05}", number, value, instruments, apart) | {"found": False}
        for number, value in enumerate(net[::3])
    ]
    drawn = [
        _row(f"{setup['id']}-{each}", number, float(value), instruments, apart)
        | {"source": "chance", "of": setup["id"], "place": ""}
        for number, setup in enumerate(setups)
        for each, value in enumerate(np.maximum(random.normal(0.0, 1.4, controls), -1.05))
    ]
    variants = [AS_IS, *(Variant(f"doji_pause: rule {n} off", "rule_off", f"rule_{n}", None) for n in range(RULES))]
    members = [("as is", setup["id"]) for setup in setups]
    for number, variant in enumerate(variants[1:], 2):
        members += [(variant.name, each["id"]) for each in [*setups, *others] if int(each["id"][1:]) % number]
    return Study(
        trades=typed(pd.DataFrame([*setups, *others, *drawn])) if setups else empty(),
        members=pd.DataFrame(members, columns=list(MEMBERS)).astype(dict(MEMBERS)),
        variants=tuple(variants) if setups else (AS_IS,),
        bars=5_000 * len(instruments) if setups else 0,
        series=len(instruments),
        instruments=tuple(sorted(instruments)) if setups else (),
        timeframes=("1d",) if setups else (),
        first=FIRST if setups else 0,
        last=FIRST + apart * DAY * (len(net) + 5) if setups else 0,
        settings_mark="0" * 32,
        costs_known=0.0,
        files=(StudyFile("gannet.csv", 4_321, "f" * 64),) if setups else (),
        checked=(),
        unjudged=(),
        seed=seed,
    )


def _row(name: str, number: int, net: float, instruments: Sequence[str], apart: int) -> dict[str, Any]:
    """Give a row whose distinguishing values depend on the number."""
    found = pd.Timestamp(FIRST + apart * DAY * number, tz="UTC")
    return {
        "id": name,
        "source": "setup",
        "of": "",
        "found": True,
        "instrument": instruments[number % len(instruments)],
        "group": "",
        "timeframe": "1d",
        "setup": "doji_pause",
        "direction": "short" if number % 3 else "long",
        "place": ("line", "level", "")[number % 7 % 3],
        "set_aside": "cost fails" if number % 29 == 28 else "",
        "evidence_points": number % 4,
        "evidence_total": 6,
        "exit_style": "quick",
        "entry_style": "break",
        "state": "stopped" if net < 0 else "objective",
        "found_at": found,
        "entered_at": found + pd.Timedelta(days=1),
        "ended_at": found + pd.Timedelta(days=4),
        "month": 12 * found.year + found.month - 1,
        "hour": found.hour,
        "bars_waited": 1,
        "bars_held": 1 + number % 9,
        "planned_entry": 100.0,
        "entry": 100.0,
        "first_stop": 98.0,
        "stop": 98.0,
        "exit": 100.0 + 2 * net,
        "risk": 2.0,
        "risk_atr": 1.1,
        "gross_r": net + 0.05,
        "cost_r": 0.05,
        "net_r": net,
        "cost_known": False,
        "best_r": max(net + 0.4, 0.1 * (number % 11)),
        "worst_r": min(net, -0.1 * (number % 9)),
        "gapped_stop": net < 0 and number % 13 == 0,
        "both_in_one_bar": net < 0 and number % 11 == 0,
        AROUND + "trend": "holds" if number % 2 else "fails",
        AROUND + "coarser": "unknown",
    }


def report_of(study: Study, *, looks: int = 3) -> Report:
    """Give the full report of a study, with a hypothesis if there are trades."""
    hypothesis = Hypothesis("short at a line", FIRST + 400 * DAY, (("direction", "short"), ("place", "line")))
    hypotheses = [hypothesis] if len(study.trades) else []
    return figures.report_of(study, looks=looks, hypotheses=hypotheses, samples=SAMPLES)


MANY = results(400)


@cache
def study_of_many() -> Study:
    """Give a study that says something in every section of a report."""
    return study_of(MANY)


@cache
def report_of_many() -> Report:
    """Give the report of that study."""
    return report_of(study_of_many())
