"""The answer of a study in one plain sentence, and what must hold before it says more than «no sign»."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, fsum
from typing import TYPE_CHECKING

import numpy as np

from scanner.studies.figures.chance import pairs_of
from scanner.studies.figures.months import (
    FEWEST_MONTHS,
    FEWEST_TRADES,
    LEVEL,
    by_month,
    means,
    too_few,
    weights,
)
from scanner.studies.figures.results import Interval, Judged, Verdict
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from scanner.studies.figures.chance import Pairs
    from scanner.studies.figures.results import Hypothesis, Kind
    from scanner.studies.schema import Study

SAMPLES = 10_000


def verdict_of(
    study: Study,
    looks: int = 1,
    where: Mapping[str, str] | None = None,
    *,
    after: int | None = None,
    samples: int = SAMPLES,
) -> Verdict:
    """Judge the setups of a study for which each column of ``where`` has that value.

    With ``after`` (nanoseconds since 1970 UTC) only setups found later count, and their controls. Both the mean and the
    difference from each kind of chance are tested at the level 1 − 0.05 / looks (Bonferroni). There is an edge only if
    all of these intervals lie above 0, and a loss if that of the mean lies below 0. Without controls, no edge is
    claimed. ValueError says which column the trades do not have.
    """
    if looks < 1:
        raise ValueError(f"looks is {looks}; this look counts, so it must be at least 1")
    trades = study.trades
    if after is not None:
        trades = trades[trades["found_at"].to_numpy("datetime64[ns]").view(np.int64) > after]
    setups = judged_setups(trades, where or {})
    return verdict_on(setups, pairs_of(setups, trades), looks, samples, study.seed)


def verdict_on(setups: pd.DataFrame, pairs: Sequence[Pairs], looks: int, samples: int, seed: int) -> Verdict:
    """Judge the setups from ``judged_setups`` with their controls, as ``verdict_of`` does."""
    result, month = setups["net_r"].to_numpy(np.float64), setups["month"].to_numpy(np.int64)
    order = np.lexsort((month, result))
    result, month = result[order], month[order]
    trades, months = len(result), len(np.unique(month))
    level = 1 - (1 - LEVEL) / looks
    if too_few(trades, months):
        nothing = Interval(fsum(result) / trades if trades else None)
        return Verdict("too_few", _too_few(trades, months), trades, months, looks, nothing, nothing, None, None)
    count, total = by_month(month, result)
    resampled = means(count[None], total[None], weights(len(count), samples, seed))
    mean, corrected = resampled.intervals()[0], resampled.intervals(level)[0]
    worst = min((pair.difference(level, samples, seed) for pair in pairs), key=_low, default=None)
    kind: Kind = "no_sign"
    if _low(corrected) > 0 and worst is not None and _low(worst) > 0:
        kind = "edge"
    elif corrected.high is not None and corrected.high < 0:
        kind = "loses"
    rest = trades - ceil(trades / 100)
    without_best = fsum(result[:rest]) / rest
    verdict = Verdict(kind, "", trades, months, looks, mean, corrected, worst, without_best)
    return replace(verdict, sentence=_sentence(verdict))


def judge(study: Study, hypotheses: Sequence[Hypothesis], samples: int = SAMPLES) -> tuple[Judged, ...]:
    """Test each hypothesis on the setups found after it was recorded.

    Each of them, and each earlier test of one, counts as a look for all.
    """
    looks = sum(each.looks for each in hypotheses)
    return tuple(
        Judged(each, verdict_of(study, looks, dict(each.where), after=each.written_at, samples=samples))
        for each in hypotheses
    )


def judged_setups(trades: pd.DataFrame, where: Mapping[str, str]) -> pd.DataFrame:
    """Give the closed setups, by id, that the rules find and do not set aside, with these values in these columns."""
    chosen = (trades["source"] == "setup") & trades["found"] & (trades["set_aside"] == "") & trades["net_r"].notna()
    for column, value in where.items():
        if column not in trades.columns:
            raise ValueError(f"trades have no column {column}; they have {', '.join(trades.columns)}")
        chosen &= trades[column].astype("str") == value
    return trades[chosen].sort_values("id", ignore_index=True)


def _low(interval: Interval) -> float:
    return -np.inf if interval.low is None else interval.low


def _too_few(trades: int, months: int) -> str:
    return (
        f"Too few to say: {counted(trades, 'closed trade')} in {counted(months, 'month')}; "
        f"an interval needs at least {FEWEST_TRADES} trades in {FEWEST_MONTHS} months."
    )


def _sentence(of: Verdict) -> str:
    opening = {"edge": "A sign of an edge in the past", "loses": "A loss", "no_sign": "No sign of an edge"}[of.kind]
    told = (
        f"{opening}: {of.trades:,} trades in {of.months:,} months, on average {in_r(of.mean.value)} R each, net of "
        f"costs (95 % interval {between(of.mean)}), and {in_r(of.without_best)} R without the best 1 %"
    )
    above = of.over_chance
    if of.looks > 1:
        told += f"; corrected for {of.looks:,} looks at these bars, {between(of.corrected)}"
    if above is None:
        return f"{told}; there are no random trades to compare them with."
    if above.low is None:
        return f"{told}; too few of them have random trades on the same bars to be compared with."
    same = ", at the same level" if of.looks > 1 else ""
    return f"{told}; against random trades on the same bars {in_r(above.value)} R{same} ({between(above)})."


def between(interval: Interval) -> str:
    """Write the ends of an interval in R, or a dash."""
    return "-" if interval.low is None else f"{in_r(interval.low)} to {in_r(interval.high)}"


def in_r(value: float | None) -> str:
    """Write R to hundredths with its sign, or a dash."""
    return "-" if value is None else f"{round(value, 2) + 0.0:+.2f}"
