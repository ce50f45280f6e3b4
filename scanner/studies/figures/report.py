"""The report of a study: all figures of its trades."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.clocks import DAY
from scanner.studies.figures.chance import pairs_of
from scanner.studies.figures.enough import enough_of
from scanner.studies.figures.of_trades import Setups, breakdowns_of, figures_of, in_order
from scanner.studies.figures.results import Report
from scanner.studies.figures.rules import rules_of
from scanner.studies.figures.running import running_of
from scanner.studies.figures.verdict import SAMPLES, judge, judged_setups, verdict_on
from scanner.studies.figures.walk_forward import walk_forward_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import Hypothesis
    from scanner.studies.schema import Study

YEAR = 365.25 * DAY
"""A year in nanoseconds."""
FEWER = 4
"""Factor by which groups of a breakdown have fewer samples than all setups together."""


def report_of(study: Study, *, looks: int = 1, hypotheses: Sequence[Hypothesis] = (), samples: int = SAMPLES) -> Report:
    """Give the report of a study.

    ``looks`` counts this look and earlier ones at the same bars. Each interval uses ``samples`` samples of months.
    The same study always gives the same report, whatever the order of its rows.
    """
    trades, seed = study.trades, study.seed
    found = in_order(trades[(trades["source"] == "setup") & trades["found"]])
    setups = Setups.of(found)
    everything = figures_of(setups, "all", samples, seed)
    judged = judged_setups(trades, {})
    pairs = pairs_of(judged, trades)
    chance = tuple(pair.against_chance(samples, seed) for pair in pairs)
    under = next((each.chance_mean.value or 0.0 for each in chance if each.source == "chance"), 0.0)
    closed = setups.only(setups.closed)
    return Report(
        verdict=verdict_on(judged, pairs, looks, samples, seed),
        judged=judge(study, hypotheses, samples),
        all=everything,
        aside=figures_of(setups.as_if_not_aside(), "set aside", samples, seed),
        breakdowns=breakdowns_of(found, setups, everything, samples // FEWER, seed),
        chance=chance,
        rules=rules_of(study, samples, seed),
        walk_forward=walk_forward_of(study, samples, seed),
        enough=enough_of(everything, (study.last - study.first) / YEAR),
        running=running_of(closed.result, closed.month, closed.entered_at, under, seed),
        checked=study.checked,
        unjudged=study.unjudged,
    )
