"""The summary of a study in a terminal: the verdict first, then its reasons."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.studies.checked import left_out
from scanner.studies.figures.verdict import between, in_r
from scanner.wording.tables import table
from scanner.wording.times import closing_date, date, moment

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.studies.figures.results import (
        AgainstChance,
        Beside,
        Enough,
        Figures,
        Interval,
        Judged,
        Report,
        RuleChanges,
    )
    from scanner.studies.schema import Study

FEW_YEARS = 10
"""Below it, years are given to a tenth."""
SOURCES = {"setup": "setups", "chance": "random bars", "chance_cross": "random, fresh cross"}


def summary(study: Study, report: Report, zone: str) -> list[str]:
    """Give the lines; ``zone`` is that of the reader."""
    every = report.all
    first, last = date(study.first, "UTC"), closing_date(study.last)
    instruments = f"{len(study.instruments):,} instruments ({', '.join(study.timeframes)})"
    return [
        report.verdict.sentence,
        *_hypotheses(report.judged, zone),
        "",
        f"{study.bars:,} bars of {instruments}, {first} to {last}",
        *left_out(study.checked, study.unjudged),
        f"{every.found:,} setups: {every.set_aside:,} set aside, {every.entered:,} entered, {every.closed:,} closed"
        + (f", {every.still_open:,} still open and in no figure of R" if every.still_open else ""),
        *_broken_off(every),
        "",
        *table(
            ("", "closed", "mean R", "95 % interval", "difference", "95 % interval", "chance as good"),
            [_setups(every), *map(_chance, report.chance)],
        ),
        "",
        *_outcomes(every),
        *_enough(report.enough),
        *_rules(report.rules),
        f"R is net of costs: real ones for {study.costs_known:.0%} of the setups, 0.05 R for the others. Intervals",
        "resample whole months; «-» where fewer than 30 trades or 12 months make none.",
        "«difference»: the setups' mean minus that of the random bars. «chance as good»: how often a random pick of",
        "them does at least as well.",
    ]


def _hypotheses(judged: Sequence[Judged], zone: str) -> list[str]:
    """Give the result of each registered hypothesis, on setups found after its registration."""
    return [
        f"Hypothesis {each.hypothesis.name}, on what was found after {moment(each.hypothesis.written_at, zone)}: "
        f"{each.verdict.sentence}"
        for each in judged
    ]


def _broken_off(figures: Figures) -> Iterator[str]:
    """Say that results are missing, if any are: a crash may look like a split."""
    if figures.broken_off:
        why = "by a price jump, which may be a split or a crash; their R is unknown and counts in nothing"
        yield f"broken off after the entry: {figures.broken_off:,}, {why}"


def _setups(figures: Figures) -> Sequence[str]:
    return SOURCES["setup"], f"{figures.closed:,}", in_r(figures.mean.value), between(figures.mean), "", "", ""


def _chance(chance: AgainstChance) -> Sequence[str]:
    return (
        SOURCES[chance.source],
        f"{chance.controls:,}",
        in_r(chance.chance_mean.value),
        between(chance.chance_mean),
        in_r(chance.difference.value),
        between(chance.difference),
        "-" if chance.as_well is None else f"{chance.as_well:.1%}",
    )


def _outcomes(figures: Figures) -> Iterator[str]:
    """Give the spread of the results, if there are any."""
    if figures.share.value is None:
        return
    best = f"without the best {figures.best:,} (1 %, at least one)"
    yield f"winners {_share(figures.share)}; median {_told(figures.median)}; {best} {_told(figures.without_best)}"
    if figures.losing_run is not None and figures.drawdown is not None:
        yield f"worst losing run {_beside(figures.losing_run, 0)}"
        yield f"deepest fall in R {_beside(figures.drawdown, 1)}"
    if figures.design_effect is not None:
        yield f"months widen the variance of the mean {figures.design_effect:.1f} times (design effect)"
    yield ""


def _enough(enough: Enough) -> Iterator[str]:
    """Say what this number of trades can show."""
    if enough.smallest is None:
        return
    yield (
        f"With {enough.trades:,} trades that vary this much, a true mean of {enough.smallest:.2f} R "
        "would be told from 0 in four of five cases."
    )
    for each in enough.needed:
        years = "" if each.years is None else f", {each.years:,.{int(each.years < FEW_YEARS)}f} years at this rate"
        yield f"    a mean of {each.mean} R needs {each.trades:,} trades{years}"
    yield "    to beat random bars as well, as a sign of an edge must, usually takes more"
    yield ""


def _rules(rules: RuleChanges) -> Iterator[str]:
    """Say how many changes of the rules differ from the unchanged rules."""
    if not rules.variants:
        return
    compared = [each for each in rules.variants if not each.too_few]
    differ = sum(each.differs for each in compared)
    told = f"{len(compared):,} have enough trades to compare, and {differ:,} of them differ"
    yield f"{len(rules.variants):,} changes of the rules: {told if compared else 'none has enough trades to compare'}"
    yield ""


def _beside(each: Beside, decimals: int) -> str:
    own, usual, bad = (f"{value:,.{decimals}f}" for value in (each.value, each.usual, each.bad))
    return f"{own}; of the same results shuffled usually {usual}, and at worst {bad} in 95 of 100"


def _told(interval: Interval) -> str:
    """Give a mean in R with its interval."""
    ends = "" if interval.low is None else f" ({between(interval)})"
    return f"{in_r(interval.value)} R{ends}"


def _share(interval: Interval) -> str:
    if interval.value is None or interval.low is None or interval.high is None:
        return "-" if interval.value is None else f"{interval.value:.0%}"
    return f"{interval.value:.1%} ({interval.low:.1%} to {interval.high:.1%})"
