"""Figures with their intervals, compared with published ones, and the review made from them."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pytest
from arch.bootstrap import IIDBootstrap
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from scanner.journal.entries import entry_of
from scanner.journal.figures import TOO_FEW, bootstrap, figures, wilson
from scanner.journal.review import review, to_review
from scanner.present.reports.journal_report import figure_rows
from scanner.store import KeptDecision, Store
from tests.adapters.samples import BAR_CLOSE
from tests.journal.samples import DAY, HOUR, closed, found, keep, one_story, told
from tests.studies.figures.invented import skewed

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from scanner.journal.stories import Story

RESULTS = st.lists(st.decimals("-3", "9", places=2, allow_nan=False), max_size=60)


@given(st.integers(1, 400).flatmap(lambda count: st.tuples(st.integers(0, count), st.just(count))))
def test_the_interval_of_a_share_is_wilsons(case: tuple[int, int]) -> None:
    winners, count = case
    ours = wilson(winners, count)
    assert ours == pytest.approx(proportion_confint(winners, count, method="wilson"), abs=1e-12)  # statsmodels
    theirs = stats.binomtest(winners, count).proportion_ci(method="wilson")  # scipy
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-12)
    assert ours[0] - 1e-12 <= winners / count <= ours[1] + 1e-12


def test_the_interval_of_a_mean_is_that_of_other_peoples_bootstrap_and_always_the_same() -> None:
    values = np.round(np.random.default_rng(3).normal(0.3, 1.4, 60), 2)
    ours = bootstrap(values.tolist())
    assert ours == bootstrap(values.tolist()[::-1])
    theirs = IIDBootstrap(values, seed=4).conf_int(np.mean, 40_000, method="studentized", std_err_func=_error)
    assert ours == pytest.approx(theirs.ravel(), abs=0.02)
    assert ours[0] < values.mean() < ours[1]
    many = bootstrap([0.0, 1.0] * 1_000)  # in several blocks of draws
    assert many == pytest.approx((0.5 - 0.0219, 0.5 + 0.0219), abs=0.003)  # 1.96 standard errors of the mean


def _error(_: float, values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([values.std(ddof=1) / np.sqrt(len(values))])


def few_winners(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """One in five gains 4, and the others lose all of 1."""
    return np.where(rng.random(count) < 0.2, 4.0, -1.0)


@pytest.mark.parametrize(("drawn", "truth"), [(skewed, 1 / 3 * 2 - 2 / 3 * 0.8), (few_winners, 0.0)])
def test_the_interval_of_a_mean_contains_the_truth_also_of_few_and_skewed_results(
    drawn: Callable[[np.random.Generator, int], NDArray[np.float64]], truth: float
) -> None:
    rng, inside = np.random.default_rng(5), 0
    for _ in range(400):
        low, high = bootstrap(drawn(rng, TOO_FEW).tolist())
        inside += low <= truth <= high
    assert 0.9 <= inside / 400 <= 0.98


@given(RESULTS)
def test_the_sum_is_that_of_what_is_shown_and_few_results_have_no_interval(results: list[Decimal]) -> None:
    known = figures(results, [Decimal("0.05")] * len(results) + [None])
    assert known.total == sum(results)
    assert known.without_best == sum(sorted(results)[:-1])
    assert known.winners == len([each for each in results if each > 0])
    assert (known.costed, known.cost) == (len(results), Decimal("0.05") * len(results))
    few = len(results) < TOO_FEW
    assert (known.share_between is None, known.mean_between is None) == (few, few)
    assert (known.mean is None) == (not results)


def test_a_mean_that_rounds_to_0_has_no_sign() -> None:
    assert str(figures([Decimal("-0.01"), Decimal("0.00"), Decimal("0.00")]).mean) == "0.00"


def stories() -> list[Story]:
    """Invent three: won at 1.50 R on day 1, stopped at −1 R on day 2, and set aside but won on day 3."""
    told_of = []
    for day, (exit_price, aside) in enumerate([("103.15", ""), ("100.15", ""), ("102.55", "cost fails")]):
        setup = found(f"TERN{day}", at=BAR_CLOSE + day * DAY, aside=aside)
        end = closed(setup, 24, exit_price, cost=None if day else "0.05")
        told_of.append(one_story(setup, told(setup, "setup.entered", 1, "open"), end))
    return told_of


def test_a_review_counts_each_thing_when_it_happened() -> None:
    first, second, third = stories()
    made = [
        KeptDecision(1, first.id, "take", Decimal("101.65"), None, "", 1, 0, 0),
        KeptDecision(2, second.id, "pass", None, None, "", 1, 0, 0),
        KeptDecision(3, third.id, "pass", None, None, "", 2, 0, 0),
        KeptDecision(4, third.id, "take", None, Decimal(900), "", 2, 0, 0),  # on second thoughts: it counts as taken
    ]
    everything = review([first, second, third], made, BAR_CLOSE, BAR_CLOSE + 4 * DAY)
    counts = (everything.found, everything.set_aside, everything.taken, everything.passed, everything.entered)
    assert (*counts, everything.closed) == (3, 1, 2, 1, 3, 3)
    assert everything.broken == {"beyond_plan": 1, "set_aside": 1, "too_large": 1}
    sums = {group: (each.closed, each.total) for group, each in everything.figures.items()}
    assert sums == {
        "taken": (2, Decimal("2.50")),
        "own": (1, Decimal("1.00")),
        "passed": (1, Decimal("-1.00")),
        "all": (2, Decimal("0.50")),
        "set_aside": (1, Decimal("1.00")),
    }
    assert (everything.figures["all"].cost, everything.figures["all"].costed) == (Decimal("0.05"), 1)

    second_day = review([first, second, third], made, BAR_CLOSE + DAY, BAR_CLOSE + 2 * DAY)
    counts = (second_day.found, second_day.set_aside, second_day.taken, second_day.passed, second_day.entered)
    assert (*counts, second_day.closed) == (1, 0, 0, 1, 1, 1)
    assert second_day.figures["taken"].total == Decimal("1.50")  # it was closed on this day, and taken the day before
    assert second_day.broken == {}
    nothing = review([], [], BAR_CLOSE, BAR_CLOSE + HOUR)
    assert (nothing.found, nothing.closed, nothing.figures["all"].mean) == (0, 0, None)


def test_a_decision_counts_at_the_bar_before_it_however_long_ago_the_last_message_was() -> None:
    setup = found("TERN")
    story = one_story(setup, told(setup, "setup.entered", 1, "open"), closed(setup, 20 * 24, "103.15"))
    made = [
        KeptDecision(1, story.id, "take", None, Decimal(900), "", 2, BAR_CLOSE + 8 * DAY, 0),
        KeptDecision(2, story.id, "leave", Decimal("103.15"), None, "", 2, BAR_CLOSE + 20 * DAY, 0),
    ]
    weeks = [review([story], made, BAR_CLOSE + first * DAY, BAR_CLOSE + (first + 7) * DAY) for first in (0, 7, 14)]
    assert [week.taken for week in weeks] == [0, 1, 0]
    assert [week.broken for week in weeks] == [{}, {"too_large": 1}, {"before_exit_signal": 1}]


def test_a_review_looks_at_stories_with_a_message_or_a_decision_in_that_time(tmp_path: Path) -> None:
    setup = found("TERN")
    keep(tmp_path / "kept.db", setup, told(setup, "setup.entered", 1, "open"))
    made = [KeptDecision(1, setup.thread, "take", None, None, "", 2, BAR_CLOSE + 8 * DAY, 0)]
    with Store.open(tmp_path / "kept.db", lambda: BAR_CLOSE) as store:
        weeks = [
            [story.id for story in to_review(store, made, BAR_CLOSE + first * DAY, BAR_CLOSE + (first + 7) * DAY)]
            for first in (0, 7, 14)
        ]
    assert weeks == [[setup.thread], [setup.thread], []]


def test_your_own_result_counts_where_the_rules_have_none() -> None:
    setup = found("TERN")
    story = one_story(setup, told(setup, "setup.broken_off", 2, "broken_off"))
    made = [
        KeptDecision(1, story.id, "take", Decimal("101.35"), None, "", 1, BAR_CLOSE, 0),
        KeptDecision(2, story.id, "leave", Decimal("97.75"), None, "", 2, BAR_CLOSE + 2 * HOUR, 0),
    ]
    looked = review([story], made, BAR_CLOSE, BAR_CLOSE + DAY)
    assert looked.closed == 0
    assert {group: each.closed for group, each in looked.figures.items() if each.closed} == {"own": 1}
    assert looked.figures["own"].total == Decimal("-3.00")
    assert ("sum of R", "-", "-3.00", "-", "-") in figure_rows(looked)[1]
    assert figure_rows(review([], [], BAR_CLOSE, BAR_CLOSE + DAY))[1] == []


def test_a_review_of_enough_results_shows_their_intervals() -> None:
    told_of = []
    for number in range(33):
        setup = found(f"TERN{number}", aside="" if number < 30 else "cost fails")
        told_of.append(one_story(setup, closed(setup, 24, "103.15" if number % 5 < 3 else "100.15")))
    heads, rows, notes = figure_rows(review(told_of, [], BAR_CLOSE, BAR_CLOSE + 4 * DAY))
    (_, wins), (_, intervals), (_, mean), (_, between) = ((row[0], row[heads.index("all")]) for row in rows[1:5])
    assert (wins, mean) == ("18 (60 %)", "+0.50")
    low, high = proportion_confint(18, 30, method="wilson")  # statsmodels
    assert intervals == f"{100 * low:.0f} to {100 * high:.0f} %"
    # A gain of 1.5 or a loss of 1: 1.96 standard errors are 0.44.
    least, most = map(float, between.split(" to "))
    assert (least, most) == pytest.approx((0.5 - 0.44, 0.5 + 0.44), abs=0.08)
    assert between.startswith("+")
    assert notes == ["Set aside and closed all the same: 3, +4.50 R in all."]


def test_the_results_of_a_review_add_up_to_those_of_the_entries() -> None:
    told_of = stories()
    made = [entry_of(story, []) for story in told_of]
    found_again = review(told_of, [], BAR_CLOSE, BAR_CLOSE + 4 * DAY).figures
    total = found_again["all"].total + found_again["set_aside"].total
    assert total == sum(each.r for each in made if each.r is not None)
