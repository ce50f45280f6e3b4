"""Intervals from whole months: the same as other libraries compute, and wide enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import statsmodels.api as sm
from arch.bootstrap import IIDBootstrap
from statsmodels.stats.proportion import proportion_confint

from scanner.studies.figures.months import (
    by_month,
    design_effects,
    differences,
    means,
    median_between,
    ratios,
    share_between,
    smallest_told,
    weights,
)
from scanner.studies.figures.results import Interval
from tests.studies.figures.invented import skewed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def uneven(rng: np.random.Generator, count: int, months: int) -> NDArray[np.int64]:
    """Spread results over months of very different size."""
    size = rng.lognormal(0, 1.2, months)
    return rng.choice(months, count, p=size / size.sum())


def plain_ratio(count: Floats, total: Floats) -> float:
    return float(total.sum() / count.sum())


def plain_error(_: Floats, count: Floats, total: Floats) -> Floats:
    """Give the error of a ratio from its residuals, by linearisation."""
    residual = total - total.sum() / count.sum() * count
    return np.array([np.sqrt((residual**2).sum()) / count.sum()])


def _sums(month: NDArray[np.int64], values: Floats) -> Floats:
    return np.bincount(month, values, 20).astype(np.float64)


def plain_mean_of(count: Floats, total: Floats) -> Floats:
    return np.array([plain_ratio(count, total)])


def test_each_sample_draws_as_many_months_and_draws_are_repeatable() -> None:
    drawn = weights(40, 500, seed=1)
    assert (drawn.sum(axis=1) == 40).all()
    assert drawn.mean(axis=0) == pytest.approx(np.ones(40), abs=0.2)
    assert np.array_equal(drawn, weights(40, 500, seed=1))
    assert not np.array_equal(drawn, weights(40, 500, seed=-1))


@pytest.mark.parametrize("seed", range(3))
def test_samples_are_what_drawing_the_months_themselves_gives(seed: int) -> None:
    """The products of matrices against months that are actually concatenated."""
    rng = np.random.default_rng(seed)
    month, other_month = uneven(rng, 90, 20), uneven(rng, 70, 20)
    result, other = skewed(rng, 90), skewed(rng, 70)
    count, total = _sums(month, np.ones(90)), _sums(month, result)
    other_count, other_total = _sums(other_month, np.ones(70)), _sums(other_month, other)
    drawn = weights(20, 50, seed)
    mean = means(count[None], total[None], drawn)
    above = differences(count[None], total[None], other_count[None], other_total[None], drawn)
    for sample, times in enumerate(drawn.astype(int)):
        chosen = np.repeat(np.arange(20), times)
        n, s, m, t = count[chosen], total[chosen], other_count[chosen], other_total[chosen]
        own = (s - plain_ratio(n, s) * n) / n.sum()
        its = (t - plain_ratio(m, t) * m) / m.sum()
        off = plain_ratio(n, s) - plain_ratio(count, total)
        other_off = plain_ratio(m, t) - plain_ratio(other_count, other_total)
        assert mean.t[0, sample] == pytest.approx(off / np.sqrt((own**2).sum()))
        assert above.t[0, sample] == pytest.approx((off - other_off) / np.sqrt(((own - its) ** 2).sum()))


def test_the_error_is_that_of_statsmodels_where_each_month_has_one_result() -> None:
    result = skewed(np.random.default_rng(4), 80)
    fitted = sm.OLS(result, np.ones(80)).fit()
    own = ratios(np.ones((1, 80)), result[None])
    assert own.value[0] == pytest.approx(fitted.params[0])
    assert own.error[0] == pytest.approx(fitted.HC3_se[0])


def test_intervals_are_those_of_arch() -> None:
    rng = np.random.default_rng(5)
    count, total = by_month(uneven(rng, 150, 60), skewed(rng, 150))
    boot = IIDBootstrap(count, total, seed=6)
    low, high = boot.conf_int(plain_mean_of, 4_000, method="studentized", std_err_func=plain_error)[:, 0]
    own = means(count[None], total[None], weights(len(count), 20_000, 0))
    interval = own.intervals()[0]
    value = plain_ratio(count, total)
    wider = own.error[0] / plain_error(count, count, total)[0]
    assert 1 < wider < 1.3
    assert interval.value == pytest.approx(value)
    assert interval.low == pytest.approx(value - (value - low) * wider, abs=0.02)
    assert interval.high == pytest.approx(value + (high - value) * wider, abs=0.02)


def test_the_design_effect_is_the_number_of_equal_results_in_a_month() -> None:
    once = skewed(np.random.default_rng(7), 400)
    results = np.repeat(once, 5)
    count, total = by_month(np.repeat(np.arange(400), 5), results)
    error = ratios(count[None], total[None]).error
    effect = design_effects(np.array([2_000]), np.array([results.std(ddof=1)]), error)
    assert effect[0] == pytest.approx(5, rel=0.01)


# Newcombe, Statistics in Medicine 17 (1998) 857 to 872, table I (from memory; recomputed here with statsmodels).
@pytest.mark.parametrize(
    ("winners", "count", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_a_share_has_the_interval_of_wilson_on_as_many_results_as_months_leave(
    winners: int, count: int, low: float, high: float
) -> None:
    alone = share_between(winners, count, 0.8, np.inf)
    assert (alone.low, alone.high) == pytest.approx((low, high), abs=5e-5)
    assert (alone.low, alone.high) == pytest.approx(proportion_confint(winners, count, method="wilson"))
    half = share_between(winners, count, 2.0, np.inf)
    assert (half.low, half.high) == pytest.approx(proportion_confint(winners / 2, count / 2, method="wilson"))
    fewer = share_between(winners, count, 2.0, 10.0)
    assert fewer.high is not None
    assert half.high is not None
    assert fewer.high > half.high


def test_an_interval_at_a_higher_level_contains_that_at_a_lower_one() -> None:
    rng = np.random.default_rng(8)
    count, total = by_month(uneven(rng, 120, 40), skewed(rng, 120))
    own = means(count[None], total[None], weights(len(count), 5_000, 0))
    ends = [own.intervals(1 - 0.05 / looks)[0] for looks in (1, 3, 10, 100, 1_000)]
    lows, highs = ([float(getattr(each, end) or 0) for each in ends] for end in ("low", "high"))
    assert lows == sorted(lows, reverse=True)
    assert highs == sorted(highs)
    assert len(set(lows)) == len(lows)


def test_a_median_lies_between_the_values_at_the_ends_of_the_share() -> None:
    """Of 80 values, five in eight are at most the median; the ends of that share lie an eighth below and above it."""
    told = median_between(np.arange(1.0, 81.0), Interval(0.625, 0.5, 0.75))
    assert (told.value, told.low, told.high) == (40.5, 30, 50)


def test_intervals_cover() -> None:
    """Skewed results, correlated within months of very different sizes: 95 % means about 95 %."""
    rng, months, count, runs = np.random.default_rng(9), 48, 120, 600
    chances = np.array([0.25, 0.55])
    # A gain is 2 on average; a loss is 1 or, two times in five, a half on average. The median is a loss.
    true_mean, true_share = 0.4 * 2 - 0.6 * 0.8, 0.4
    true_median = -1 + (0.5 / 0.6 - 0.6) / 0.4
    held = np.zeros(3)
    drawn = {number: weights(number, 1_000, 0) for number in range(1, months + 1)}
    for _ in range(runs):
        month = uneven(rng, count, months)
        result = skewed(rng, count, chances[rng.integers(0, 2, months)][month])
        ordered = np.sort(result)
        won, at_most = result > 0, result <= np.median(result)
        n, total, winners, below = by_month(month, result, won.astype(float), at_most.astype(float))
        samples = drawn[len(n)]
        mean, of_share = means(n[None], np.array([total, below]), samples).intervals()
        share = ratios(n[None], winners[None])
        effect = design_effects(np.array([count]), np.array([won.std(ddof=1)]), share.error)[0]
        of_winners = share_between(int(won.sum()), count, float(effect), float(share.freedom[0]))
        for place, (interval, true) in enumerate(
            ((mean, true_mean), (of_winners, true_share), (median_between(ordered, of_share), true_median))
        ):
            assert interval.low is not None
            assert interval.high is not None
            held[place] += interval.low <= true <= interval.high
    assert (held / runs >= 0.93).all()
    assert (held / runs <= 0.975).all()


def test_trades_tell_the_smallest_mean_from_0_in_80_of_100_cases() -> None:
    """Where the mean is as large as each says that it can tell, intervals lie above 0 as often; skewed trades."""
    rng, drawn, runs = np.random.default_rng(8), weights(60, 600, seed=8), 300
    smallest, low, means_of = np.empty(runs), np.empty(runs), np.empty(runs)
    for run in range(runs):
        count = rng.integers(1, 5, 60).astype(np.float64)
        total = np.array([skewed(rng, int(each)).sum() for each in count])
        smallest[run] = smallest_told(count[None], total[None], drawn)
        (interval,) = means(count[None], total[None], drawn).intervals()
        assert interval.low is not None
        low[run], means_of[run] = interval.low, total.sum() / count.sum()
    # Moving all results moves the interval by as much, and leaves its width.
    moved = low - means_of.mean() + smallest.mean()
    assert 0.75 <= np.mean(moved > 0) <= 0.85
