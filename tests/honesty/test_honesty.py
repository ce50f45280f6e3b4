"""The measurement itself, on right and on wrong reports, and a small part of it."""

from __future__ import annotations

import doctest

import numpy as np
import pytest

from scanner.studies.figures.results import AgainstChance, Interval, Verdict
from tests.honesty import power, pure, rates, truth, variants
from tests.honesty.feeds import Kind, Told, told_of
from tests.honesty.rates import Rate

SMALL, STRONG = Kind("small", 9, 750), Kind("strong", 9, 750, push=0.2)
ERROR, RIGHT, NARROW = 0.1, 1.96, 1.2


def told(kind: Kind, rng: np.random.Generator, mean: float = 0.0, half: float = RIGHT) -> Told:
    """Invent a report with random errors in its figures, and intervals of so many standard errors to either side."""
    figures = mean + rng.normal(0, ERROR, 3)
    own, *others = (Interval(float(each), each - half * ERROR, each + half * ERROR) for each in figures)
    chance = tuple(
        AgainstChance(source, 100, 400, 30, too_few=False, setup_mean=own, chance_mean=own, difference=above, as_well=0)
        for source, above in zip(truth.BESIDE, others, strict=True)
    )
    claimed = min(figures) > half * ERROR
    verdict = Verdict("edge" if claimed else "no_sign", "", 100, 30, 1, own, own, own, None)
    return Told(kind, verdict, chance, (1.96 + 0.8416) * ERROR)


@pytest.mark.parametrize(("half", "met"), [(RIGHT, True), (NARROW, False)])
def test_right_intervals_are_met_and_narrow_ones_are_missed(half: float, met: bool) -> None:
    rng = np.random.default_rng(2)
    found = pure.rates([told(kind, rng, half=half) for kind in pure.KINDS for _ in range(3_000)])
    covered = [each for each in found if "within its interval" in each.name]
    assert len(covered) == 3 * 4
    assert all(each.met(roughly=False) == met for each in covered)
    assert all(each.met(roughly=True) == met for each in covered)


def test_claims_that_nothing_stands_behind_are_missed() -> None:
    rng = np.random.default_rng(3)
    found = pure.rates([told(kind, rng, mean=0.3) for kind in pure.KINDS for _ in range(50)])
    claimed = [each for each in found if each.name == "an edge is claimed"]
    assert claimed
    assert not any(each.met(roughly=True) for each in claimed)


@pytest.mark.parametrize("edge", [0.1, 0.2, 0.4])
def test_the_power_stated_is_that_of_normal_theory(edge: float) -> None:
    rng = np.random.default_rng(4)
    kind = power.KINDS[0]
    found = power.of_kind(kind, [told(kind, rng, edge) for _ in range(4_000)])
    assert all(each.met(roughly=False) for each in found)
    more = power.of_kind(kind, [told(kind, rng, edge, half=NARROW) for _ in range(4_000)])
    assert edge > 3 * ERROR or not more[0].met(roughly=True)


def test_a_few_feeds_of_chance_and_of_a_strong_edge() -> None:
    chance = [told_of((SMALL, number), 5) for number in range(3)]
    assert sum(each.verdict.kind == "edge" for each in chance) <= 1
    assert told_of((SMALL, 0), 5) == chance[0]
    strong = [told_of((STRONG, number), 5) for number in range(1)]
    assert [each.verdict.kind for each in strong] == ["edge"]
    assert truth.true_mean(strong) > truth.true_mean(chance) + 0.8


def test_the_best_of_two_hundred_shines_and_is_not_claimed() -> None:
    shines, *claimed = variants.alike([variants.said(number, variants.ALIKE[0], 1) for number in range(8)], "")
    assert shines.hits > 5
    assert all(each.met(roughly=True) for each in claimed)


def test_examples() -> None:
    for module in (rates, power):
        assert doctest.testmod(module).failed == 0


def test_nothing_is_wanted_of_what_is_only_to_be_read() -> None:
    assert Rate("", 3, 10).told()["met"] is None
    assert Rate("", 3, 10, most=0.2).told()["met"] is False
    assert Rate("", 3, 10, most=0.2).met(roughly=True)
    assert not Rate("", 9, 10, most=0.2).met(roughly=True)
    assert Rate("", 95, 100, 0.93, 0.97).wanted == "93.0 % to 97.0 %"
