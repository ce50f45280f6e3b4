"""Changes of the rules: the figures of every variant, and what happens with too few trades."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from arch.bootstrap import SPA

from scanner.studies.figures.members import Members
from scanner.studies.figures.results import RuleChanges
from scanner.studies.figures.rules import rules_of
from scanner.trade.rulebook import Rulebook
from tests.laws import real_series
from tests.studies.figures.invented import invented
from tests.studies.figures.invented_variants import shuffled, with_members, with_variants
from tests.studies.in_memory import collect
from tests.studies.typed import empty

if TYPE_CHECKING:
    import pandas as pd

    from scanner.studies.schema import Study

SAMPLES = 400


def plain(study: Study) -> dict[str, pd.Series[float]]:
    """Give the results of each variant by id, looked up one by one."""
    closed = study.trades.set_index("id")["net_r"].dropna()
    return {
        variant.name: closed[[each for each in ids if each in closed.index]]
        for variant in study.variants
        for ids in [study.members["id"][study.members["variant"] == variant.name]]
    }


def test_counts_and_means_are_those_of_the_trades_of_each_variant() -> None:
    study = with_variants(invented(600, 48), 8)
    by_name, month = plain(study), study.trades.set_index("id")["month"]
    as_is = by_name["as is"].mean()
    rules = rules_of(study, SAMPLES, 1)
    assert [each.variant for each in rules.variants] == list(study.variants[1:])
    for each in rules.variants:
        own = by_name[each.variant.name]
        assert (each.closed, each.months) == (len(own), month[own.index].nunique())
        assert each.mean.value == pytest.approx(own.mean())
        assert each.difference.value == pytest.approx(own.mean() - as_is)
        assert each.corrected.value == each.difference.value
        assert not each.too_few


def test_neither_the_order_of_rows_nor_another_run_changes_a_digit() -> None:
    study = with_variants(invented(500, 36), 5)
    rules = rules_of(study, SAMPLES, 1)
    assert rules == rules_of(shuffled(study, 7), SAMPLES, 1)
    assert rules != rules_of(study, SAMPLES, 2)


def test_neither_controls_nor_open_trades_count() -> None:
    study = with_variants(invented(500, 36), 5)
    setups = study.trades["source"] == "setup"
    alone = replace(study, trades=study.trades[setups & study.trades["net_r"].notna()])
    assert rules_of(study, SAMPLES, 1) == rules_of(alone, SAMPLES, 1)


@pytest.mark.parametrize("changed", [5, 25, 60])
def test_nothing_is_claimed_of_a_difference_of_a_few_trades(changed: int) -> None:
    """However large the gain: leaving out the 25 worst of 400 trades may be luck until 30 of them are left out."""
    study = with_variants(invented(400, 36), 0, left_out=0)
    own = plain(study)["as is"].sort_values()
    members = {"as is": own.index.tolist(), "without the worst": own.index[changed:].tolist()}
    (found,) = rules_of(with_members(study, members), SAMPLES, 1).variants
    assert found.mean.low is not None
    assert found.too_few == (changed < 30)
    assert (found.p is None, found.q is None, found.corrected.low is None) == (found.too_few,) * 3
    assert found.differs == (not found.too_few)
    assert found.difference.value == pytest.approx(own[changed:].mean() - own.mean())


def test_too_few_trades_or_months_have_no_interval() -> None:
    study = with_variants(invented(400, 36), 0, left_out=0)
    own, month = plain(study)["as is"], study.trades.set_index("id")["month"]
    early = own.index[month[own.index] < month[own.index].min() + 11].tolist()
    members = {"as is": own.index.tolist(), "few": own.index[:29].tolist(), "short": early, "none": []}
    rules = rules_of(with_members(study, members), SAMPLES, 1)
    assert [each.too_few for each in rules.variants] == [True] * 3
    assert [each.mean.low for each in rules.variants] == [None] * 3
    assert [each.closed for each in rules.variants] == [29, len(early), 0]
    assert rules.variants[2].mean.value is None
    assert rules.variants[2].difference.value is None
    assert rules.over_as_is is None
    assert rules.over_nothing is not None
    assert rules.over_nothing.best == "as is"


def test_nothing_is_claimed_of_results_that_do_not_vary() -> None:
    study = with_variants(invented(400, 36), 3)
    rules = rules_of(replace(study, trades=study.trades.assign(net_r=-1.05)), SAMPLES, 1)
    assert (rules.over_as_is, rules.over_nothing) == (None, None)
    assert [each.differs for each in rules.variants] == [False] * 3


def test_a_study_without_trades_says_so_of_each_variant() -> None:
    study = with_variants(invented(400, 36), 2)
    assert rules_of(replace(study, variants=()), SAMPLES, 1) == RuleChanges((), None, None)
    none = rules_of(replace(study, trades=empty()), SAMPLES, 1)
    assert [(each.closed, each.too_few) for each in none.variants] == [(0, True)] * 2
    assert (none.over_as_is, none.over_nothing) == (None, None)


def test_trading_less_is_not_better_if_each_trade_loses_as_much() -> None:
    """By their sums, half of the trades, which lose 0.5 R each, would look far better than all of them."""
    study = invented(1_200, 48, gain=-0.5)
    ids = plain(with_variants(study, 0, left_out=0))["as is"].index
    half = np.random.default_rng(3).random(len(ids)) < 0.5
    study = with_members(study, {"as is": ids.tolist(), "half": ids[half].tolist()})
    _, total = Members.of(study).by_month()
    in_sums = SPA(-total[0], -total[1:].T, block_size=1, reps=SAMPLES, seed=1)
    in_sums.compute()
    assert in_sums.pvalues["consistent"] < 0.01
    rules = rules_of(study, SAMPLES, 1)
    assert rules.over_as_is is not None
    assert rules.over_as_is.consistent > 0.1
    assert rules.over_nothing is not None
    assert rules.over_nothing.consistent == 1


def test_a_study_of_real_bars_can_be_used_as_it_is() -> None:
    names = ("sp500", "nasdaq", "IBM", "MSFT")
    study = collect({name: real_series(name) for name in names}, rulebook=Rulebook())
    kept = (study.trades["source"] == "setup") & study.trades["found"] & (study.trades["set_aside"] == "")
    assert set(study.members["id"][study.members["variant"] == "as is"]) == set(study.trades["id"][kept])
    rules, by_name = rules_of(study, SAMPLES, 1), plain(study)
    assert len(rules.variants) > 20
    assert [each.closed for each in rules.variants] == [len(by_name[each.variant.name]) for each in rules.variants]
    for each in rules.variants:
        own, q = by_name[each.variant.name], each.q
        assert each.mean.value == (pytest.approx(own.mean()) if len(own) else None)
        assert q is None or q >= (each.p or 0)
