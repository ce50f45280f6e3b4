"""Setups compared with chance, and the verdict: an edge is claimed only if every condition holds."""

from __future__ import annotations

from dataclasses import replace
from math import ceil
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from scanner.studies.figures.chance import TIE, pairs_of
from scanner.studies.figures.months import by_month, weights
from scanner.studies.figures.report import report_of
from scanner.studies.figures.results import Hypothesis
from scanner.studies.figures.verdict import in_r, judged_setups, verdict_of
from tests.studies.figures.invented import DAY, START, invented

if TYPE_CHECKING:
    from scanner.studies.schema import Study

SAMPLES = 2_000


def with_controls(study: Study, above: float) -> Study:
    """Give each control the result of its setup, less ``above``."""
    trades = study.trades
    of = trades.set_index("id")["net_r"].reindex(trades["of"]).to_numpy() - above
    return replace(study, trades=trades.assign(net_r=np.where(trades["source"] == "setup", trades["net_r"], of)))


@pytest.mark.parametrize(("above", "as_well"), [(0.0, True), (0.5, False)])
def test_the_difference_is_that_of_setups_and_their_own_controls(above: float, *, as_well: bool) -> None:
    trades = with_controls(invented(300, 30), above).trades
    pairs = pairs_of(judged_setups(trades, {}), trades)
    assert [pair.source for pair in pairs] == ["chance", "chance_cross"]
    for pair in pairs:
        told = pair.against_chance(SAMPLES, 0)
        assert told.difference.value == pytest.approx(above)
        assert told.difference.low == pytest.approx(above)
        assert told.difference.high == pytest.approx(above)
        count, total = by_month(pair.month, pair.result - above)
        drawn = weights(len(count), SAMPLES, 0)
        reached = (drawn @ total) / (drawn @ count) >= pair.result.mean() - TIE
        assert told.as_well == reached.mean()
        assert (0.3 < reached.mean() < 0.7) if as_well else (reached.mean() < 0.01)


def test_controls_are_averaged_for_each_setup() -> None:
    """Against pandas; setups have different numbers of controls, and controls never closed do not count."""
    trades = invented(300, 30).trades
    trades = trades[(trades["source"] == "setup") | (np.arange(len(trades)) % 3 > 0)]
    setups = judged_setups(trades, {})
    for pair in pairs_of(setups, trades):
        told = pair.against_chance(SAMPLES, 0)
        own = trades[(trades["source"] == pair.source) & trades["of"].isin(setups["id"])].dropna(subset="net_r")
        average = own.groupby("of")["net_r"].mean()
        result = setups.set_index("id")["net_r"][average.index]
        assert (told.setups, told.controls) == (len(average), len(own))
        assert told.setup_mean.value == pytest.approx(result.mean())
        assert told.chance_mean.value == pytest.approx(average.mean())
        assert told.difference.value == pytest.approx((result - average).mean())


def test_controls_that_do_equally_well_do_as_well() -> None:
    trades = with_controls(invented(300, 30), 0.0).trades
    (pair, _) = pairs_of(judged_setups(trades, {}), trades.assign(net_r=trades["net_r"] * 0 + 0.1))
    assert replace(pair, result=np.full_like(pair.result, 0.1)).against_chance(SAMPLES, 0).as_well == 1


def test_how_often_chance_does_as_well_is_even_over_studies_of_chance() -> None:
    told = []
    for seed in range(30):
        trades = invented(120, 24, seed=seed).trades
        told.append(float(pairs_of(judged_setups(trades, {}), trades)[0].against_chance(400, seed).as_well or 0))
    assert np.mean(told) == pytest.approx(0.5, abs=0.15)
    assert np.std(told) > 0.15


def test_too_few_say_so() -> None:
    for count, months in ((20, 30), (200, 8)):
        verdict = verdict_of(invented(count, months))
        assert verdict.kind == "too_few"
        assert verdict.sentence.startswith("Too few to say: ")
        assert verdict.corrected.low is None
    assert verdict_of(invented(20, 30)).mean.value is not None
    assert report_of(invented(0, 30)).verdict.trades == 0


def test_a_large_gain_is_a_sign_unless_there_were_many_looks() -> None:
    study = invented(600, 60, gain=0.5)
    once = verdict_of(study, samples=SAMPLES)
    assert once.kind == "edge"
    assert once.mean == once.corrected
    assert once.over_chance is not None
    often = verdict_of(study, looks=1_000_000, samples=SAMPLES)
    assert often.kind == "no_sign"
    assert often.mean == once.mean
    assert "1,000,000 looks" in often.sentence


def test_the_sentence_has_the_mean_without_the_best_as_well() -> None:
    study = invented(600, 60)
    result = judged_setups(study.trades, {})["net_r"].sort_values()
    verdict = verdict_of(study, samples=SAMPLES)
    assert verdict.without_best == pytest.approx(result[: -ceil(len(result) / 100)].mean())
    assert f"and {in_r(verdict.without_best)} R without the best 1 %" in verdict.sentence


def test_setups_that_gain_no_more_than_chance_have_no_edge() -> None:
    study = invented(600, 60, gain=0.5)
    assert verdict_of(with_controls(study, 0.0), samples=SAMPLES).kind == "no_sign"
    one_kind = study.trades["source"] != "chance_cross"
    as_good = with_controls(study, 0.0).trades
    mixed = pd.concat([study.trades[one_kind], as_good[as_good["source"] == "chance_cross"]])
    assert verdict_of(replace(study, trades=mixed), samples=SAMPLES).kind == "no_sign"


def test_without_controls_there_is_no_edge() -> None:
    verdict = verdict_of(invented(600, 60, gain=0.5, controls=0), samples=SAMPLES)
    assert verdict.kind == "no_sign"
    assert verdict.over_chance is None


@pytest.mark.parametrize("compared", [0, 5])
def test_without_enough_controls_there_is_no_edge(compared: int) -> None:
    study = invented(600, 60, gain=0.5)
    few = study.trades["of"].isin(judged_setups(study.trades, {})["id"][:compared])
    results = study.trades["net_r"].where((study.trades["source"] == "setup") | few)
    told = report_of(replace(study, trades=study.trades.assign(net_r=results)), samples=SAMPLES)
    assert told.verdict.kind == "no_sign"
    assert told.verdict.sentence.endswith("too few of them have random trades on the same bars to be compared with.")
    for each in told.chance:
        assert each.too_few
        assert each.setups <= compared
        for figure in (each.setup_mean, each.chance_mean, each.difference):
            assert figure.low is None
            assert (figure.value is None) == (each.setups == 0)


def test_a_loss_is_reported() -> None:
    verdict = verdict_of(invented(600, 60, gain=-0.5), samples=SAMPLES)
    assert verdict.kind == "loses"
    assert verdict.sentence.startswith("A loss: ")


def test_a_hypothesis_is_judged_on_what_came_after_it() -> None:
    study = invented(800, 80)
    written_at = START + 1_500 * DAY
    earlier = study.trades["found_at"] <= pd.Timestamp(written_at, tz="UTC")
    hypothesis = Hypothesis("flags on shares", written_at, (("setup", "flag"), ("group", "shares")))
    (told,) = report_of(study, hypotheses=[hypothesis], samples=500).judged
    later = study.trades[~earlier & (study.trades["setup"] == "flag")]
    assert told.verdict.trades == len(judged_setups(later, {}))
    other = study.trades.assign(net_r=study.trades["net_r"].where(~earlier, 7.0))
    (again,) = report_of(replace(study, trades=other), hypotheses=[hypothesis], samples=500).judged
    assert again == told
    both = report_of(study, hypotheses=[hypothesis, hypothesis], samples=500).judged
    assert both[0].verdict.looks == 2
    assert "corrected for 2 looks at these bars" in both[0].verdict.sentence
    assert "R, at the same level (" in both[0].verdict.sentence


def test_a_missing_column_is_named() -> None:
    with pytest.raises(ValueError, match="no column colour"):
        verdict_of(invented(40, 20), where={"colour": "red"})
