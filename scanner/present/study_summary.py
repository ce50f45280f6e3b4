"""The summary of a study in a terminal: how much there was, and what it came to beside chance."""

from __future__ import annotations

from math import ceil, fsum
from typing import TYPE_CHECKING

from scanner.present.tables import table
from scanner.present.times import date, moment

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from scanner.studies.figures.results import Judged
    from scanner.studies.schema import Study

SOURCES = {
    "setup": "setups",
    "chance": "random bars of the same series and side",
    "chance_cross": "the same, with a fresh cross",
}


def summary(study: Study) -> list[str]:
    """Give the lines. No figure here has an interval; those are what a study is read by."""
    trades = study.trades[study.trades["found"]]
    setups = trades[trades["source"] == "setup"]
    aside = int((setups["set_aside"] != "").sum())
    rows = []
    for source, words in SOURCES.items():
        own = trades[(trades["source"] == source) & (trades["set_aside"] == "")]
        rows.append((words, f"{len(own):,}", f"{int(own['entry'].notna().sum()):,}", *_results(own)))
    first, last = (date(moment, "UTC") for moment in (study.first, study.last))
    instruments = f"{len(study.instruments):,} instruments ({', '.join(study.timeframes)})"
    return [
        f"{study.bars:,} bars of {instruments}, {first} to {last}",
        f"{len(setups):,} setups, {aside:,} of them set aside, and {len(study.variants) - 1:,} changes of the rules",
        "",
        *table(("what", "planned", "entered", "closed", "mean R", "without the best 1 %"), rows, left=(0,)),
        "",
        f"R is net of costs: real ones for {study.costs_known:.0%} of the setups, 0.05 R for the others.",
    ]


def hypotheses(judged: Sequence[Judged], zone: str) -> list[str]:
    """Say what came of each hypothesis that was written down, on what was found after that."""
    return [
        f"Hypothesis {each.hypothesis.name}, on what was found after {moment(each.hypothesis.written_at, zone)}: "
        f"{each.verdict.sentence}"
        for each in judged
    ]


def _results(trades: pd.DataFrame) -> tuple[str, str, str]:
    results = sorted(trades["net_r"].dropna().tolist())
    if not results:
        return "0", "-", "-"
    rest = results[: len(results) - ceil(len(results) / 100)]
    without = f"{fsum(rest) / len(rest):+.2f}" if rest else "-"
    return f"{len(results):,}", f"{fsum(results) / len(results):+.2f}", without
