"""Figures of trades: the same as scipy, pandas and plain loops give, in any order of rows."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import permutations
from math import ceil
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from scanner.present.reports.study_summary import summary
from scanner.studies.figures.enough import enough_of
from scanner.studies.figures.report import report_of
from scanner.studies.figures.running import beside_shuffles, drawdowns, losing_runs, running_of
from tests.studies.figures.invented import invented

if TYPE_CHECKING:
    import pandas as pd

    from scanner.studies.figures.results import Figures, Report

SAMPLES = 1_000


@cache
def report() -> Report:
    return report_of(invented(400, 40), samples=SAMPLES)


def assert_figures(own: Figures, setups: pd.DataFrame) -> None:
    """Compare figures with those of the general libraries."""
    kept = setups[setups["set_aside"] == ""]
    closed = kept.dropna(subset="net_r")
    result = closed["net_r"]
    assert (own.found, own.set_aside, own.closed) == (len(setups), len(setups) - len(kept), len(closed))
    assert own.entered == kept["entry"].notna().sum()
    assert own.waiting == (kept["state"] == "waiting").sum()
    assert own.never_entered == (kept["state"] == "lapsed").sum()
    assert own.broken_off == (kept["entry"].notna() & (kept["state"] == "broken_off")).sum()
    assert own.still_open == (kept["state"] == "open").sum()
    assert own.months == closed["month"].nunique()
    assert own.too_few == (own.closed < 30 or own.months < 12)
    if closed.empty:
        assert own.mean.value is None
        return
    assert own.winners == (result > 0).sum()
    assert own.share.value == pytest.approx((result > 0).mean())
    assert own.total == pytest.approx(result.sum())
    assert own.mean.value == pytest.approx(result.mean())
    assert own.median.value == pytest.approx(result.median())
    assert own.best == ceil(len(result) / 100)
    rest = result.sort_values()[: -own.best]
    assert own.total_without_best == pytest.approx(rest.sum())
    assert own.without_best.value == pytest.approx(rest.mean() if len(rest) else None)
    assert own.spread == pytest.approx(result.std() if len(result) > 1 else None)
    assert own.cost == pytest.approx(closed["cost_r"].mean())
    assert own.bars_held == pytest.approx(np.percentile(closed["bars_held"], [25, 50, 75]))
    assert own.best_r == pytest.approx(closed["best_r"].median())
    assert own.worst_r == pytest.approx(closed["worst_r"].median())
    assert own.gapped.value == pytest.approx(closed["gapped_stop"].mean())
    assert own.both.value == pytest.approx(closed["both_in_one_bar"].mean())
    lost = -result[result <= 0].sum()
    assert own.profit_factor == (pytest.approx(result[result > 0].sum() / lost) if lost else None)
    if len(result) > 2:
        assert own.skew == pytest.approx(stats.skew(result))
    intervals = own.share, own.mean, own.median, own.without_best, own.gapped, own.both
    for each in intervals:
        assert (each.low is None) == (each.high is None) == own.too_few
        if each.low is not None and each.value is not None and each.high is not None:
            assert each.low <= each.value <= each.high
    assert (own.design_effect is None) == (own.losing_run is None) == (own.drawdown is None) == own.too_few


def test_figures_are_those_of_general_libraries_in_every_group() -> None:
    trades = invented(400, 40).trades
    setups = trades[trades["source"] == "setup"]
    assert_figures(report().all, setups)
    seen = []
    for breakdown in report().breakdowns:
        values = setups["month"] // 12 if breakdown.by == "year" else setups[breakdown.by]
        assert [each.name for each in breakdown.groups] == [str(value) for value in values.sort_values().unique()]
        for group in breakdown.groups:
            assert_figures(group, setups[values.astype("str") == group.name])
        seen.append(breakdown.by)
    assert {"setup", "direction", "place", "evidence_points", "year", "hour", "instrument", "around_trend"} < set(seen)


def test_results_that_are_unknown_are_not_passed_over_in_silence() -> None:
    study = invented(400, 40)
    trades = study.trades
    unknown = trades.query("state == 'broken_off' and source == 'setup' and set_aside == ''").index
    trades.loc[unknown[:2], "state"] = "open"
    told = report_of(study, samples=SAMPLES)
    assert_figures(told.all, trades[trades["source"] == "setup"])
    lost = told.all.broken_off
    assert (told.all.still_open, lost) == (2, report().all.broken_off - 2)
    assert lost > 0
    said = "\n".join(summary(study, told, "UTC"))
    assert " closed, 2 still open and in no figure of R" in said
    assert f"broken off after the entry: {lost}, by a price jump, which may be a split or a crash" in said


def test_a_gain_added_to_every_result_moves_each_interval_by_as_much() -> None:
    study = invented(400, 40)
    moved = report_of(replace(study, trades=study.trades.assign(net_r=study.trades["net_r"] + 1)), samples=SAMPLES)
    for name in ("mean", "median", "without_best"):
        own, other = getattr(report().all, name), getattr(moved.all, name)
        assert (other.value, other.low, other.high) == pytest.approx((own.value + 1, own.low + 1, own.high + 1)), name


def test_setups_set_aside_are_counted_apart() -> None:
    trades = invented(400, 40).trades
    aside = trades[trades["set_aside"] != ""]
    assert_figures(report().aside, aside.assign(set_aside=""))


def test_neither_the_order_of_rows_nor_a_second_time_changes_a_digit() -> None:
    study = invented(400, 40)
    mixed = replace(study, trades=study.trades.sample(frac=1, random_state=1))
    assert report_of(mixed, samples=SAMPLES).to_json() == report().to_json()


def test_a_group_has_the_figures_of_a_study_of_it_alone() -> None:
    study = invented(400, 40)
    flags = study.trades["setup"] == "flag"
    alone = report_of(replace(study, trades=study.trades[flags]), samples=SAMPLES)
    (by,) = (each for each in report().breakdowns if each.by == "setup")
    own = next(each for each in by.groups if each.name == "flag")
    assert own.mean.value == alone.all.mean.value
    assert own.mean.low == pytest.approx(alone.all.mean.low, abs=0.03)
    assert (own.design_effect, own.share, own.months) == (alone.all.design_effect, alone.all.share, alone.all.months)


@given(st.lists(st.floats(-2, 9).map(lambda value: round(value, 2)), min_size=1, max_size=30))
def test_losing_runs_and_falls_are_those_of_a_loop(results: list[float]) -> None:
    run = longest = 0
    total = highest = deepest = 0.0
    for result in results:
        run = 0 if result > 0 else run + 1
        longest, total = max(longest, run), total + result
        highest = max(highest, total)
        deepest = max(deepest, highest - total)
    rows = np.array([results, results])
    assert losing_runs(rows).tolist() == [longest, longest]
    assert drawdowns(rows) == pytest.approx([deepest, deepest])


def test_chance_is_every_order_of_the_same_results() -> None:
    results = np.array([3.0, -1.0, -1.0, 2.0, -0.5, -1.0, -1.0])
    orders = np.array(list(permutations(results)))
    run, fall = beside_shuffles(results, 1_000, seed=0)
    assert (run.value, fall.value) == (3, 2.5)
    for own, every in ((run, losing_runs(orders)), (fall, drawdowns(orders))):
        assert own.usual == np.quantile(every, 0.5, method="higher")
        assert own.bad == np.quantile(every, 0.95, method="higher")


def test_the_worst_of_chance_is_told_as_what_most_orders_do_not_exceed() -> None:
    run = report().all.losing_run
    assert run is not None
    runs = losing_runs(np.array(list(permutations([3.0, -1.0, -1.0, 2.0, -0.5, -1.0, -1.0]))))
    bad = np.quantile(runs, 0.95, method="higher")
    assert np.mean(runs >= bad) == pytest.approx(1 / 7), "whole numbers: «or more in 5 of 100» would be wrong"
    assert np.mean(runs <= bad) >= 0.95
    said = "\n".join(summary(invented(400, 40), report(), "UTC"))
    assert f"usually {run.usual:.0f}, and at worst {run.bad:.0f} in 95 of 100" in said


def test_less_than_ten_years_are_said_to_a_tenth() -> None:
    (first, *rest) = report().enough.needed
    told = replace(report().enough, needed=(replace(first, years=0.44), replace(first, years=1_234.5), *rest))
    said = "\n".join(summary(invented(400, 40), replace(report(), enough=told), "UTC"))
    assert ", 0.4 years at this rate" in said
    assert ", 1,234 years at this rate" in said


def test_the_running_sum_stays_in_its_fan_if_the_mean_is_that_of_chance() -> None:
    rng = np.random.default_rng(2)
    inside, throughout = [], []
    for seed in range(30):
        results, month = rng.normal(0.1, 1, 200), np.sort(rng.integers(0, 50, 200))
        running = running_of(results, month, np.arange(200), 0.1, seed)
        assert running is not None
        assert running.total[-1] == pytest.approx(results.sum())
        assert running.middle[-1] == pytest.approx(20, abs=4)
        half = len(running.total) // 2
        inside.append(running.low[half] <= running.total[half] <= running.high[half])
        line, low, high = (np.array(each) for each in (running.total, running.low, running.high))
        throughout.append((bool(((low <= line) & (line <= high)).all()), running.throughout))
    assert np.mean(inside) >= 0.86
    stayed, told = np.mean(throughout, axis=0)
    assert stayed == pytest.approx(told, abs=0.2)
    assert told < 0.75  # far fewer than at any one place


def test_the_fan_has_the_mean_of_the_random_bars() -> None:
    running, chance = report().running, next(each for each in report().chance if each.source == "chance")
    assert running is not None
    assert running.under == chance.chance_mean.value != 0
    assert running.trades[0] == 1
    assert running.trades[-1] == report().all.closed


def test_trades_a_year_are_those_of_the_years_of_the_bars() -> None:
    assert report().enough.a_year == pytest.approx(report().all.closed / (40 * 30 / 365.25))


@pytest.mark.parametrize(("mean", "trades"), [(0.1, 3_462), (0.2, 866)])
def test_the_number_of_trades_needed_to_tell_a_mean_from_0(mean: float, trades: int) -> None:
    """Plain normal theory with a standard deviation of 2.1: (1.960 + 0.842)² · 2.1² / mean²."""
    figures = replace(report().all, spread=2.1, design_effect=0.9, smallest=None, closed=trades)
    enough = enough_of(figures, years=10)
    needed = next(each for each in enough.needed if each.mean == mean)
    assert needed.trades == trades
    assert needed.years == pytest.approx(10)
    assert enough.smallest == pytest.approx(mean, rel=1e-3)
    doubled = enough_of(replace(figures, design_effect=2.0), years=10)
    assert doubled.needed[0].trades == pytest.approx(2 * enough.needed[0].trades, abs=1)
