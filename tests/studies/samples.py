"""Studies and reports of invented trades, as many as a test wants."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scanner.studies.figures.results import (
    AgainstChance,
    Beside,
    Breakdown,
    Choice,
    Enough,
    Figures,
    Hypothesis,
    Interval,
    Judged,
    Needed,
    Report,
    Rules,
    Running,
    Superior,
    VariantResult,
    Verdict,
    WalkForward,
)
from scanner.studies.schema import AROUND, MEMBERS, Study, StudyFile, Variant, checked, empty

if TYPE_CHECKING:
    from collections.abc import Sequence

DAY = 86_400_000_000_000
FIRST = 946_857_600_000_000_000
"""3 January 2000."""
AS_IS = Variant("as is", "as_is", "", None)


def study_of(
    net: Sequence[float],
    *,
    controls: int = 2,
    instruments: Sequence[str] = ("GANNET", "FULMAR"),
    seed: int = 0,
    apart: int = 9,
) -> Study:
    """Make a study of closed setups with these R, one each ``apart`` days, and of controls drawn around 0."""
    random = np.random.default_rng(seed)
    rows = [_row(f"s{number:05}", "setup", "", number, value, instruments, apart) for number, value in enumerate(net)]
    rows += [
        _row(f"s{number:05}-{each}", "chance", f"s{number:05}", number, float(value), instruments, apart)
        for number in range(len(net))
        for each, value in enumerate(np.maximum(random.normal(0.0, 1.4, controls), -1.05))
    ]
    trades = checked(pd.DataFrame(rows)) if rows else empty()
    members = pd.DataFrame({"variant": "as is", "id": [f"s{number:05}" for number in range(len(net))]})
    return Study(
        trades=trades,
        members=members.astype(dict(MEMBERS)),
        variants=(AS_IS,),
        bars=5_000 * len(instruments) if len(net) else 0,
        series=len(instruments),
        instruments=tuple(sorted(instruments)) if len(net) else (),
        timeframes=("1d",) if len(net) else (),
        first=FIRST if len(net) else 0,
        last=FIRST + apart * DAY * (len(net) + 5) if len(net) else 0,
        settings_mark="0" * 32,
        costs_known=0.0,
        files=(StudyFile("gannet.csv", 4_321, "f" * 64),) if len(net) else (),
        seed=seed,
    )


def _row(
    name: str, source: str, of: str, number: int, net: float, instruments: Sequence[str], apart: int
) -> dict[str, Any]:
    found = pd.Timestamp(FIRST + apart * DAY * number, tz="UTC")
    return {
        "id": name,
        "source": source,
        "of": of,
        "found": True,
        "instrument": instruments[number % len(instruments)],
        "group": "",
        "timeframe": "1d",
        "setup": "doji_pause",
        "direction": "short" if number % 3 else "long",
        "place": "line",
        "set_aside": "",
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
        "bars_held": 3,
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
        "best_r": max(net + 0.4, 0.1),
        "worst_r": min(net, -0.2),
        "gapped_stop": False,
        "both_in_one_bar": False,
        AROUND + "trend": "holds" if number % 2 else "fails",
    }


def results(count: int, mean: float = 0.0, seed: int = 1) -> list[float]:
    """Invent skewed R: mostly a loss of one, now and then a large gain."""
    random = np.random.default_rng(seed)
    gains = random.exponential(2.2, count)
    losses = -1.05 + 0.1 * random.random(count)
    return [float(each) + mean for each in np.where(random.random(count) < 0.31, gains, losses)]


NOTHING = Interval(None)


def figures(name: str, net: Sequence[float], *, months: int | None = None, aside: int = 0) -> Figures:
    """Give figures of trades with these R; what is not simple is invented, and each number is another."""
    values = np.array(net, dtype=np.float64)
    count = len(values)
    several = min(count, 12 + count % 7) if months is None else months
    few = count < 30 or several < 12

    def interval(value: float, width: float) -> Interval:
        if not count:
            return NOTHING
        return Interval(value) if few else Interval(value, value - width, value + width)

    mean = float(values.mean()) if count else 0.0
    winners = int((values > 0).sum())
    return Figures(
        name=name,
        found=count + 7 + aside,
        set_aside=aside,
        entered=count + 1,
        never_entered=5,
        waiting=1,
        closed=count,
        months=several,
        too_few=few,
        winners=winners,
        share=interval(winners / count if count else 0.0, 0.043),
        mean=interval(mean, 0.19),
        median=interval(float(np.median(values)) if count else 0.0, 0.11),
        without_best=interval(mean - 0.07, 0.17),
        best=max(1, count // 100),
        total=float(values.sum()),
        total_without_best=float(values.sum()) - 5.25,
        spread=2.13 if count else None,
        skew=6.91 if count else None,
        design_effect=1.87 if count else None,
        profit_factor=0.97 if count else None,
        losing_run=Beside(17, 14, 21) if count else None,
        drawdown=Beside(31.4, 28.6, 55.2) if count else None,
        bars_held=(2.0, 5.0, 11.0) if count else None,
        best_r=0.83 if count else None,
        worst_r=-0.94 if count else None,
        gapped=interval(0.081, 0.02),
        both=interval(0.013, 0.01),
        cost=0.051 if count else None,
    )


def report_of(study: Study, *, hypotheses: bool = True, changes: int = 24) -> Report:
    """Give a report on a study in which every table has rows, unless there are no trades."""
    setups = study.trades[(study.trades["source"] == "setup") & study.trades["net_r"].notna()]
    net = setups["net_r"].tolist()
    of_all = figures("all", net, aside=9)
    few = of_all.too_few
    low, high = (None, None) if few or of_all.mean.value is None else (of_all.mean.value - 0.4, of_all.mean.value + 0.4)
    verdict = Verdict(
        kind="too_few" if few else "no_sign",
        sentence=f"{len(net):,} closed trades: no sign of an edge.",
        trades=len(net),
        months=of_all.months,
        looks=3,
        mean=of_all.mean,
        corrected=Interval(of_all.mean.value, low, high),
        over_chance=None if few else Interval(-0.02, -0.21, 0.17),
    )
    hypothesis = Hypothesis("short at a line", FIRST + 400 * DAY, (("direction", "short"), ("place", "line")))
    columns = ("instrument", "direction", "evidence_points", "around_trend", "timeframe")
    years = setups["found_at"].dt.year
    return Report(
        verdict=verdict,
        judged=(Judged(hypothesis, verdict),) if hypotheses else (),
        all=of_all,
        aside=figures("set aside", net[:9]),
        breakdowns=(
            *(
                Breakdown(
                    column,
                    tuple(
                        figures(str(key), own["net_r"].tolist()) for key, own in setups.groupby(column, observed=True)
                    ),
                )
                for column in columns
            ),
            Breakdown("year", tuple(figures(str(key), own["net_r"].tolist()) for key, own in setups.groupby(years))),
        )
        if net
        else (),
        chance=(
            AgainstChance(
                source="chance",
                setups=len(net) - 2,
                controls=2 * len(net) - 4,
                months=of_all.months,
                too_few=few,
                setup_mean=of_all.mean,
                chance_mean=Interval(0.013, None if few else -0.052, None if few else 0.071),
                difference=Interval(-0.024, None if few else -0.23, None if few else 0.18),
                as_well=None if few else 0.613,
            ),
        )
        if net
        else (),
        rules=_rules(changes) if net else Rules((), None, None),
        walk_forward=None if few else _walk_forward(of_all),
        enough=Enough(
            trades=len(net),
            spread=of_all.spread,
            design_effect=of_all.design_effect,
            a_year=None if few else 41.3,
            smallest=None if few else 0.37,
            needed=() if few else (Needed(0.1, 6_474, 156.8), Needed(0.2, 1_619, 39.2)),
        ),
        running=_running(net, study) if net else None,
    )


def _rules(changes: int) -> Rules:
    others = []
    for number in range(changes):
        few, value = number % 6 == 5, 0.11 - 0.013 * number
        variant = Variant(f"doji_pause: rule {number} off", "rule_off", f"rule_{number}", None)
        others.append(
            VariantResult(
                variant,
                closed=400 + number,
                months=11 if few else 48,
                too_few=few,
                mean=Interval(value) if few else Interval(value, value - 0.1, value + 0.1),
                difference=Interval(value) if few else Interval(value, value - 0.15, value + 0.15),
                corrected=Interval(value) if few else Interval(value, value - 0.2, value + 0.2),
                p=None if few else 0.004 + number / 40,
                q=None if few else 0.096 + number / 50,
                differs=not few and value < -0.2,
            )
        )
    return Rules(tuple(others), Superior("doji_pause: rule 0 off", 0.31, 0.432, 0.61), None)


def _walk_forward(of: Figures) -> WalkForward:
    choices = tuple(
        Choice(12 * (2003 + number), "doji_pause: rule 3 off" if number % 2 else "as is", 40 * (number + 1), 0.05)
        for number in range(5)
    )
    return WalkForward(
        choices=choices,
        closed=312,
        as_is_closed=298,
        too_few=False,
        mean=Interval(-0.04, -0.22, 0.15),
        as_is_mean=of.mean,
        difference=Interval(-0.03, -0.12, 0.06),
    )


def _running(net: Sequence[float], study: Study) -> Running:
    trades = np.unique(np.linspace(1, len(net), min(len(net), 200)).astype(int))
    total, spread = np.cumsum(net)[trades - 1], 2.1 * np.sqrt(trades)
    middle = 0.013 * trades
    return Running(
        under=0.013,
        times=tuple(study.first + 9 * DAY * int(number) for number in trades),
        trades=tuple(trades.tolist()),
        total=tuple(total.tolist()),
        low=tuple((middle - 1.96 * spread).tolist()),
        middle=tuple(middle.tolist()),
        high=tuple((middle + 1.96 * spread).tolist()),
    )
