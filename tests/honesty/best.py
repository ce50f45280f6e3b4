"""What studies say of the best of many: rules with one thing changed, none of which is better in truth.

Once they are the changes of real rules on feeds of pure chance, and once 200 invented ones, of which the best shines by
chance nearly always.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from scanner.studies.figures.rules import rules_of
from tests.honesty.feeds import Kind, bars_of, studied
from tests.honesty.rates import CLAIMS, Rate
from tests.honesty.variants import SAMPLES, invented, said_of
from tests.honesty.variants import Kind as Many
from tests.honesty.working import worked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import Rules, Superior

REAL = Kind("changes of the rules, 12 instruments, 10 years", 12, 2_520)
"""Seventy or so, of which about thirty change trades enough to be judged."""
MANY = (
    Many("200 invented changes, 360 trades in 120 months", 120, 3),
    Many("200 invented changes, 360 trades in 36 months", 36, 10),
)


@dataclass(frozen=True, slots=True)
class Claims:
    """What is said of the variants of one feed.

    ``shines``: the best looks better than the rules as they are by its own interval, as if nothing else had been looked
    at. ``differs``: of some it is said that they differ. ``discovered``: some have q at most 5 %. ``better`` and
    ``gains``: the best is said to beat the rules as they are, or no trade at all.
    """

    shines: bool
    differs: bool
    discovered: bool
    better: bool
    gains: bool

    @classmethod
    def of(cls, rules: Rules) -> Claims:
        """Take them from what a study says."""
        lows = [each.difference.low for each in rules.variants if each.difference.low is not None]
        return cls(
            shines=any(low > 0 for low in lows),
            differs=any(each.differs for each in rules.variants),
            discovered=any(each.q is not None and each.q <= CLAIMS for each in rules.variants),
            better=_claimed(rules.over_as_is),
            gains=_claimed(rules.over_nothing),
        )


def measured(feeds: int, seed: int, workers: int) -> list[Rate]:
    """Make and study so many feeds of each kind, and give the rates."""
    real = worked(REAL.name, partial(of_real_rules, seed=seed), range(feeds), workers)
    rows = rates(list(real), REAL.name)
    for kind in MANY:
        claims = worked(kind.name, partial(of_invented, kind=kind, seed=seed), range(feeds), workers)
        rows += rates(list(claims), kind.name)
    return rows


def rates(claims: Sequence[Claims], of: str) -> list[Rate]:
    """Give how often something is claimed of variants of which none is better."""
    count = len(claims)
    return [
        Rate("the best shines by its own interval", sum(each.shines for each in claims), count, of=of),
        Rate("it is claimed that one differs", sum(each.differs for each in claims), count, most=CLAIMS, of=of),
        Rate("one is a discovery at 5 %", sum(each.discovered for each in claims), count, most=CLAIMS, of=of),
        Rate("the best is claimed to be better", sum(each.better for each in claims), count, most=CLAIMS, of=of),
        Rate("the best is claimed to gain at all", sum(each.gains for each in claims), count, most=CLAIMS, of=of),
    ]


def of_real_rules(number: int, seed: int) -> Claims:
    """Study a feed of pure chance with all changes of the rules."""
    study = studied(bars_of(REAL, number, seed), number, variants=True)
    return Claims.of(rules_of(study, SAMPLES, number))


def of_invented(number: int, kind: Many, seed: int) -> Claims:
    """Invent trades and variants, and give what is said of them."""
    return Claims.of(said_of(invented(kind, np.random.default_rng((seed, number))), number))


def _claimed(best: Superior | None) -> bool:
    return best is not None and best.consistent <= CLAIMS
