"""Studies of 200 variants of which none is better, or one: ``python -m tests.honesty.variants``.

The trades of each variant are drawn at random from the same trades, so the best of them shines by chance. Outcomes are
as skewed as those of real setups and correlated within months, and months have very different numbers of trades. In
other feeds one variant leaves out trades that are truly worse, so it is better; apart from it, only the second is.

A miss is a rate that chance can hardly explain. For comparison the table says how often something would have been
claimed with one error for all samples, and how many intervals would contain the truth with the samples of each variant
alone.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from scanner.studies.figures.members import Members, beside_first
from scanner.studies.figures.months import weights
from scanner.studies.figures.rules import leaves_out_0, rules_among
from scanner.studies.schema import Variant
from tests.honesty.rates import CLAIMS, Rate, lines
from tests.honesty.truth import COVERS
from tests.honesty.working import worked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.members import Groups
    from scanner.studies.figures.results import Interval, RuleChanges, Superior

WINNERS, WON, TAIL = 0.32, 2.125, 1.1
"""The share of winners, what they win on average (so that the mean is 0), and how long their tail is: the standard
deviation of its logarithm. Losers lose 1 R."""
OF_MONTH = 0.25
"""The standard deviation, in R, of the part common to all trades of a month."""
SHARES = (0.1, 0.2)
"""The shares of trades that a changed rule leaves out, or adds."""
SAMPLES = 2_000
FOUND = 0.8
"""The smallest wanted share of feeds in which the better variant is found, if there are enough trades."""
FEEDS = 500


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of feed: numbers of months, of trades per month found by the rules as they are, and of variants.

    The trades that the first variant leaves out are ``worse`` than others by so many R.
    """

    name: str
    months: int
    trades: int
    variants: int = 200
    worse: float = 0.0


def invented(kind: Kind, rng: np.random.Generator) -> Members:
    """Invent closed trades, and which of them each variant has; the first variant is the rules as they are."""
    month = np.repeat(np.arange(kind.months), rng.poisson(2 * kind.trades * rng.gamma(2, 0.5, kind.months)))
    count = len(month)
    won = rng.lognormal(-(TAIL**2) / 2, TAIL, count) * WON
    net_r = np.where(rng.random(count) < WINNERS, won, -1.0) + rng.normal(0, OF_MONTH, kind.months)[month]
    as_is = rng.random(count) < 1 / 2
    has = [as_is]
    while len(has) <= kind.variants:
        score = rng.random(count)
        if len(has) == 1:
            left_out = score < max(SHARES)
            net_r[as_is] += kind.worse * (max(SHARES) - left_out[as_is])  # the mean of all trades stays the same
        has += [as_is & (score >= share) for share in reversed(SHARES)]
        has += [as_is | (score < share) for share in SHARES]
    return Members(net_r, month, np.zeros(count, dtype=np.int64), np.array(has[: kind.variants + 1]))


def said_of(members: Members, seed: int, samples: int = SAMPLES) -> RuleChanges:
    """Give the results of a study for variants with these trades."""
    return _rules(beside_first(members, samples, seed))


def _rules(groups: Groups) -> RuleChanges:
    return rules_among(
        [Variant(f"variant {number}", "moved", "", None) for number in range(len(groups.closed))], groups
    )


def said_with_one_error(members: Members, seed: int, samples: int = SAMPLES) -> bool:
    """Say whether any variant would be claimed to differ if each used one error for all samples."""
    count, total = members.by_month()
    judged = np.logical_xor(members.has, members.has[0]).sum(axis=1) >= 30
    drawn = weights(count.shape[1], samples, seed).T
    mean, sampled = total.sum(axis=1) / count.sum(axis=1), (total @ drawn) / (count @ drawn)
    value, off = (mean - mean[0])[judged], (sampled - sampled[0] - (mean - mean[0])[:, None])[judged]
    error = off.std(axis=1)
    furthest = np.quantile(np.abs(off / error[:, None]).max(axis=0), 1 - CLAIMS)
    return bool((np.abs(value / error) > furthest).any())


@dataclass(frozen=True, slots=True)
class Said:
    """The claims about the variants of one feed, which can be right or wrong.

    ``shines``, ``differs``, ``discovered``, ``holds`` and ``holds_alone`` are about the variants that are as good as
    the rules as they are: whether one looks better by its own interval, whether one is claimed to differ, whether one
    has a q of at most 5 %, and the shares of them whose own interval contains the truth: the reported interval
    (``holds``), and that from samples of each variant alone (``holds_alone``).
    """

    shines: bool
    differs: bool
    discovered: bool
    holds: float
    holds_alone: float
    better: bool
    gains: bool
    one_error: bool
    found: bool


def said(number: int, kind: Kind, seed: int) -> Said:
    """Invent a feed and give the claims about it. The same arguments always give the same."""
    members = invented(kind, np.random.default_rng((seed, number)))
    groups = beside_first(members, SAMPLES, number)
    rules, difference = _rules(groups), groups.difference
    unlike = len(SHARES) if kind.worse else 0
    judged = [each for each in rules.variants[unlike:] if not each.too_few]
    alone = difference.resampled.intervals() if difference.resampled else []
    first = rules.variants[0].corrected.low
    return Said(
        shines=any((each.difference.low or 0) > 0 for each in judged),
        differs=any(each.differs for each in judged),
        discovered=any(each.q is not None and each.q <= CLAIMS for each in judged),
        holds=_holding([each.difference for each in judged]),
        holds_alone=_holding([own for own, which in zip(alone, difference.which, strict=True) if which > unlike]),
        better=_claimed(rules.over_as_is),
        gains=_claimed(rules.over_nothing),
        one_error=said_with_one_error(members, number),
        found=first is not None and first > 0,
    )


def _holding(intervals: Sequence[Interval]) -> float:
    return 1 - sum(leaves_out_0(each) for each in intervals) / max(len(intervals), 1)


def _claimed(best: Superior | None) -> bool:
    return best is not None and best.consistent <= CLAIMS


ALIKE = (
    Kind("24 months of 15 trades, all alike", 24, 15),
    Kind("60 months of 12 trades, all alike", 60, 12),
    Kind("240 months of 20 trades, all alike", 240, 20),
)
ONE_BETTER = (
    Kind("60 months of 20 trades, one leaves out what is 1 R worse", 60, 20, worse=1.0),
    Kind("240 months of 20 trades, one leaves out what is 1 R worse", 240, 20, worse=1.0),
)


def alike(feeds: Sequence[Said], of: str) -> list[Rate]:
    """Give the rates of feeds in which all variants are alike."""
    count = len(feeds)
    return [
        Rate("the best shines by its own interval", sum(each.shines for each in feeds), count, of=of),
        Rate("one is said to differ", sum(each.differs for each in feeds), count, most=CLAIMS, of=of),
        Rate("one has q at most 5 %", sum(each.discovered for each in feeds), count, most=CLAIMS, of=of),
        Rate("the best is said to be better", sum(each.better for each in feeds), count, most=CLAIMS, of=of),
        Rate("the best is said to gain", sum(each.gains for each in feeds), count, most=CLAIMS, of=of),
        Rate("with one error for all samples one would differ", sum(each.one_error for each in feeds), count, of=of),
        Rate(
            "intervals of one variant that hold the truth", round(sum(each.holds for each in feeds)), count, *COVERS, of
        ),
        Rate("with its own samples alone", round(sum(each.holds_alone for each in feeds)), count, of=of),
    ]


def one_better(feeds: Sequence[Said], of: str, *, enough: bool) -> list[Rate]:
    """Give the rates of feeds in which one variant is better; with ``enough`` trades, most must find it."""
    count, least = len(feeds), FOUND if enough else 0.0
    return [
        Rate("the better one is said to be", sum(each.found for each in feeds), count, least, of=of),
        Rate("the best is said to be better", sum(each.better for each in feeds), count, least, of=of),
        Rate("one that is not is said to differ", sum(each.differs for each in feeds), count, most=CLAIMS, of=of),
    ]


def measured(feeds: int, seed: int, workers: int) -> list[Rate]:
    """Invent feeds of each kind, and give the rates."""
    rates: list[Rate] = []
    for kind in (*ALIKE, *ONE_BETTER):
        of = f"{kind.variants} invented changes, {kind.name}"
        found = list(worked(of, partial(said, kind=kind, seed=seed), range(feeds), workers))
        rates += one_better(found, of, enough=kind is ONE_BETTER[-1]) if kind.worse else alike(found, of)
    return rates


def main() -> int:
    """Measure, print the table and give the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.honesty.variants", description=__doc__)
    parser.add_argument("--feeds", type=int, default=FEEDS, help="feeds of each kind")
    parser.add_argument("--seed", type=int, default=1, help="chooses the feeds")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="how many processes")
    told = parser.parse_args()
    rates = measured(told.feeds, told.seed, told.workers)
    print("\n".join(lines(rates, roughly=True)))
    return int(not all(each.met(roughly=True) for each in rates))


if __name__ == "__main__":
    sys.exit(main())
