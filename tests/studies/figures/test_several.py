"""Many groups together: the same as other libraries compute, and no claim if the best shines by chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from arch.bootstrap import SPA, StationaryBootstrap
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from scanner.studies.figures.months import differences, means, weights
from scanner.studies.figures.rules import leaves_out_0
from scanner.studies.figures.several import chances, chances_of_the_best, false_discovery, singly, superior, together
from tests.honesty.variants import Kind, invented, said_of, said_with_one_error

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MONTHS, SAMPLES = 48, 400


def monthly(seed: int, groups: int = 12) -> Floats:
    """Invent gains over a benchmark by month and group, some of them worse than it, and some much worse."""
    rng = np.random.default_rng(seed)
    return rng.standard_t(4, (MONTHS, groups)) + rng.normal(0, 1, (MONTHS, 1)) + np.linspace(-2, 0.35, groups)


def drawn_by_arch(seed: int) -> Floats:
    """Give how often each month is in each sample that arch draws: its blocks of one month are single months."""
    months = StationaryBootstrap(1, np.arange(MONTHS), seed=seed).bootstrap(SAMPLES)
    return np.array([np.bincount(sample[0][0], minlength=MONTHS) for sample in months], dtype=np.float64)


@pytest.mark.parametrize("seed", range(6))
def test_superior_predictive_ability_is_that_of_arch(seed: int) -> None:
    """With the same samples, and with one error for all of them as in arch; each gain is in its errors."""
    gain = monthly(seed)
    t = gain.mean(axis=0) / gain.std(axis=0) * np.sqrt(MONTHS)
    other = SPA(np.zeros(MONTHS), -gain / gain.std(axis=0), block_size=1, reps=SAMPLES, seed=seed)
    other.compute()
    off = (drawn_by_arch(seed) @ gain / MONTHS - gain.mean(axis=0)).T / gain.std(axis=0)[:, None] * np.sqrt(MONTHS)
    found = chances_of_the_best(t, off, MONTHS)
    assert found == pytest.approx((1 + SAMPLES * other.pvalues.to_numpy()) / (1 + SAMPLES))
    assert found[0] < found[2]


def test_far_worse_groups_do_not_hide_the_best() -> None:
    """The consistent p-value means this: with more bad groups, only the upper p-value rises."""
    gain = monthly(1, groups=6)
    bad = monthly(2, groups=200) - 3
    drawn = weights(MONTHS, SAMPLES, 0)
    own, all_of_them = (means(np.ones_like(each.T), each.T, drawn) for each in (gain, np.hstack([gain, bad])))
    few = superior(own, [str(number) for number in range(6)], MONTHS)
    many = superior(all_of_them, [str(number) for number in range(206)], MONTHS)
    assert (few.best, few.lower, few.consistent) == (many.best, many.lower, many.consistent)
    assert few.best == "5"
    assert many.upper > 1.5 * few.upper


def test_if_none_is_better_the_best_is_surely_luck() -> None:
    gain = monthly(1).T - 1
    drawn = means(np.ones_like(gain), gain, weights(MONTHS, SAMPLES, 0))
    assert (drawn.value < 0).all()
    found = superior(drawn, [str(number) for number in range(len(gain))], MONTHS)
    assert (found.lower, found.consistent, found.upper) == (1, 1, 1)


def test_false_discovery_of_the_worked_example() -> None:
    """Benjamini & Hochberg (1995), section 3.2 (p-values from memory): four are discoveries at 0.05."""
    p = "0.0001 0.0004 0.0019 0.0095 0.0201 0.0278 0.0298 0.0344 0.0459 0.3240 0.4262 0.5719 0.6528 0.7590 1.0000"
    q = false_discovery(np.array(p.split(), dtype=np.float64))
    assert (q <= 0.05).tolist() == [True] * 4 + [False] * 11


@given(st.lists(st.floats(0.0002, 1) | st.sampled_from([0.01, 0.5, 1]), min_size=1, max_size=60))
def test_false_discovery_is_that_of_statsmodels(p: list[float]) -> None:
    assert false_discovery(np.array(p)) == pytest.approx(multipletests(p, method="fdr_bh")[1])


@pytest.mark.parametrize("seed", range(4))
def test_joint_intervals_contain_single_ones_and_agree_with_the_p_values(seed: int) -> None:
    gain = monthly(seed).T
    drawn = means(np.ones_like(gain), gain, weights(MONTHS, 1_999, seed))
    for each, wide, p in zip(singly(drawn), together(drawn), chances(drawn), strict=True):
        assert each.low is not None
        assert each.high is not None
        assert wide.low is not None
        assert wide.high is not None
        assert wide.low < each.low < each.high < wide.high
        assert p < 0.06 if leaves_out_0(each) else p > 0.04
    alone = means(np.ones_like(gain[:1]), gain[:1], weights(MONTHS, 1_999, seed))
    assert together(alone) == singly(alone) == alone.intervals()


def test_only_differences_between_groups_widen_the_intervals() -> None:
    """A hundred copies of a group count as one group; a hundred independent groups count as many."""
    rng = np.random.default_rng(4)
    gain = np.vstack([np.tile(rng.normal(size=MONTHS), (100, 1)), rng.normal(size=(100, MONTHS))])
    nothing = np.ones_like(gain)
    drawn = weights(MONTHS, SAMPLES, 0)
    same, others = means(nothing[:100], gain[:100], drawn), means(nothing[100:], gain[100:], drawn)
    counted, alone = together(same)[7], same.intervals()[7]
    # Equal groups may differ in the last digit, depending on the processor.
    assert (counted.low, counted.value, counted.high) == pytest.approx((alone.low, alone.value, alone.high), rel=1e-12)
    reach = [(interval.high or 0) - (interval.value or 0) for interval in (*singly(others), *together(others))]
    assert sum(reach[100:]) > 1.5 * sum(reach[:100])


def test_a_benchmark_of_nothing_is_a_difference_from_trades_without_result() -> None:
    gain = monthly(3).T
    drawn = weights(MONTHS, SAMPLES, 0)
    nothing = np.zeros((1, MONTHS))
    own = means(np.ones_like(gain), gain, drawn)
    beside = differences(np.ones_like(gain), gain, nothing + 1, nothing, drawn)
    assert chances(own) == pytest.approx(chances(beside))


def test_the_best_of_two_hundred_by_chance_is_not_claimed() -> None:
    """A small part of ``python -m tests.honesty.variants``; with one error for all samples this would fail."""
    kind, feeds = Kind("", months=24, trades=15), 24
    differ = discovered = better = wrong = 0
    for seed in range(feeds):
        members = invented(kind, np.random.default_rng(seed))
        said = said_of(members, seed, 1_000)
        assert said.over_as_is is not None
        differ += any(each.differs for each in said.variants)
        discovered += any(each.q is not None and each.q <= 0.05 for each in said.variants)
        better += said.over_as_is.consistent <= 0.05
        wrong += said_with_one_error(members, seed, 1_000)
    assert differ <= 2
    assert discovered <= 2
    assert better <= 2
    assert wrong >= 8


def test_a_truly_better_one_is_found_among_two_hundred() -> None:
    kind = Kind("", months=120, trades=25, worse=1.5)
    said = said_of(invented(kind, np.random.default_rng(1)), seed=1, samples=1_000)
    assert said.over_as_is is not None
    assert said.over_as_is.best == "variant 1"
    assert said.over_as_is.consistent < 0.01
    first, second, *others = said.variants
    assert first.differs
    assert first.difference.value == pytest.approx(0.2 * 1.5, abs=0.1)
    assert first.q is not None
    assert first.q < 0.05
    assert not any(each.differs for each in others)
    assert second.difference.value is not None
    assert second.difference.value > 0
