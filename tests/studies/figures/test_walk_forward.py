"""Rules chosen from the past alone: nothing later has an influence, and the chosen rules are those that count."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from scanner.studies.figures.walk_forward import walk_forward_of
from tests.studies.figures.invented import invented
from tests.studies.figures.invented_variants import shuffled, with_members, with_variants

if TYPE_CHECKING:
    from scanner.studies.schema import Study

SAMPLES = 400


def closed_of(study: Study) -> dict[str, pd.DataFrame]:
    """Give the closed trades of each variant, by name."""
    closed = study.trades[study.trades["net_r"].notna()]
    return {
        variant.name: closed[closed["id"].isin(study.members["id"][study.members["variant"] == variant.name])]
        for variant in study.variants
    }


@pytest.mark.parametrize("seed", range(3))
def test_each_choice_and_the_whole_agree_with_a_plain_calculation(seed: int) -> None:
    study = with_variants(invented(900, 84, seed=seed), 6, seed=seed)
    found, by_name = walk_forward_of(study, SAMPLES, 1), closed_of(study)
    assert found is not None
    chosen: list[pd.Series[float]] = []
    as_is: list[pd.Series[float]] = []
    for choice in found.choices:
        start = pd.Timestamp(year=choice.month // 12, month=1, day=1, tz="UTC")
        past = {name: own["net_r"][own["ended_at"] < start] for name, own in by_name.items()}
        best = max(past, key=lambda name: past[name].mean())
        assert (choice.chosen, choice.ended_before) == (best, len(past[best]))
        assert choice.mean_before == pytest.approx(past[best].mean())
        for name, trades in ((best, chosen), ("as is", as_is)):
            own = by_name[name]
            trades.append(own["net_r"][own["found_at"].dt.year == start.year])
    mean, as_is_mean = (float(pd.concat(own).mean()) for own in (chosen, as_is))
    assert [choice.month % 12 for choice in found.choices] == [0] * len(found.choices)
    assert len(found.choices) == 6  # 2001 to 2006: before the first of them lie 12 months with trades
    assert (found.closed, found.as_is_closed) == (len(pd.concat(chosen)), len(pd.concat(as_is)))
    assert found.mean.value == pytest.approx(mean)
    assert found.as_is_mean.value == pytest.approx(as_is_mean)
    assert found.difference.value == pytest.approx(mean - as_is_mean)
    assert not found.too_few


@pytest.mark.parametrize("year", [2002, 2004])
def test_trades_that_end_in_a_year_or_later_do_not_affect_its_choice(year: int) -> None:
    study = with_variants(invented(900, 84), 6)
    start = pd.Timestamp(year=year, month=1, day=1, tz="UTC")
    later = study.trades["ended_at"] >= start
    noise = pd.Series(np.random.default_rng(1).normal(0, 5, len(study.trades)))
    other = replace(study, trades=study.trades.assign(net_r=study.trades["net_r"].where(~later, noise)))
    one, two = walk_forward_of(study, SAMPLES, 1), walk_forward_of(other, SAMPLES, 1)
    assert one is not None
    assert two is not None
    until = [choice for choice in one.choices if choice.month <= 12 * year]
    assert until
    assert until == [choice for choice in two.choices if choice.month <= 12 * year]
    assert one.choices != two.choices


def test_a_trade_that_ends_with_the_year_is_known_only_in_the_next() -> None:
    """A trade that ends at midnight of 1 January is not known then; one that ended a nanosecond before is."""
    study = with_variants(invented(600, 60), 0, left_out=0)
    ids = closed_of(study)["as is"]["id"].tolist()
    study = with_members(study, {"as is": ids, "the same": ids})
    start = pd.Timestamp("2003-01-01", tz="UTC")
    one = study.trades["id"] == ids[0]
    counts = []
    for moment in (start, start - pd.Timedelta(1, "ns")):
        trades = study.trades.assign(ended_at=study.trades["ended_at"].mask(one, moment))
        found = walk_forward_of(replace(study, trades=trades), SAMPLES, 1)
        assert found is not None
        assert {choice.chosen for choice in found.choices} == {"as is"}
        counts.append({choice.month // 12: choice.ended_before for choice in found.choices})
    late, early = counts
    assert [early[year] - late[year] for year in (2002, 2003, 2004)] == [0, 1, 0]


def test_a_variant_that_did_well_and_then_does_badly_is_chosen_and_loses() -> None:
    """Each year the side that had won loses as much: choosing by the past is worse than not choosing."""
    study = with_variants(invented(1_500, 84), 0, left_out=0)
    own = closed_of(study)["as is"]
    long = own["direction"] == "long"
    sign = np.where(own["found_at"].dt.year % 2 == 0, 1.0, -1.0) * np.where(long, 1.0, -1.0)
    weight = 3.0 ** (own["found_at"].dt.year - 2000)  # the last year outweighs all years before it
    moved = own["net_r"] + weight * sign
    trades = study.trades.assign(net_r=study.trades["net_r"].add(0).mask(study.trades.index.isin(own.index), moved))
    members = {"as is": own["id"], "long": own["id"][long], "short": own["id"][~long]}
    found = walk_forward_of(
        with_members(replace(study, trades=trades), {name: each.tolist() for name, each in members.items()}),
        SAMPLES,
        1,
    )
    assert found is not None
    assert [choice.chosen for choice in found.choices] == ["long", "short"] * 3
    assert found.difference.value is not None
    assert found.difference.value < -1


def test_if_the_rules_as_they_are_do_best_nothing_differs() -> None:
    study = with_variants(invented(900, 84), 0, left_out=0)
    own = closed_of(study)["as is"].sort_values("net_r")
    members = {"as is": own["id"].tolist(), "only the worst": own["id"].iloc[:400].tolist()}
    found = walk_forward_of(with_members(study, members), SAMPLES, 1)
    assert found is not None
    assert {choice.chosen for choice in found.choices} == {"as is"}
    assert (found.mean, found.closed) == (found.as_is_mean, found.as_is_closed)
    assert (found.difference.value, found.difference.low) == (0.0, None)


def test_too_short_a_study_has_none() -> None:
    assert walk_forward_of(with_variants(invented(200, 12), 3), SAMPLES, 1) is None
    assert walk_forward_of(with_variants(invented(900, 84), 0), SAMPLES, 1) is None
    assert walk_forward_of(with_variants(invented(40, 84), 3), SAMPLES, 1) is None
    few = walk_forward_of(with_variants(invented(60, 84), 3), SAMPLES, 1)
    assert few is not None
    assert few.too_few
    assert few.mean.low is None


def test_the_order_of_rows_changes_no_digit() -> None:
    study = with_variants(invented(600, 60), 5)
    assert walk_forward_of(study, SAMPLES, 1) == walk_forward_of(shuffled(study, 3), SAMPLES, 1)
