"""Studies of the best of many rules, none truly better, on feeds of pure chance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from scanner.studies.figures.rules import rules_of
from tests.honesty import variants
from tests.honesty.feeds import SAMPLES, Kind, bars_of, studied
from tests.honesty.rates import CLAIMS, Rate
from tests.honesty.working import worked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import RuleChanges, Superior

REAL = Kind("pure chance, 12 instruments, 10 years, all changes of the rules", 12, 2_520)
"""About seventy, of which about thirty change enough trades to be judged."""


@dataclass(frozen=True, slots=True)
class Claims:
    """The claims about the variants of one feed.

    ``shines``: by its own interval, as if nothing else had been examined, the best looks better than the rules as they
    are. ``differs``: some are claimed to differ. ``discovered``: some have a q of at most 5 %. ``better`` and
    ``gains``: the best is claimed to beat the rules as they are, or no trade at all.
    """

    shines: bool
    differs: bool
    discovered: bool
    better: bool
    gains: bool

    @classmethod
    def of(cls, rules: RuleChanges) -> Claims:
        """Take the claims from the report of a study."""
        lows = [each.difference.low for each in rules.variants if each.difference.low is not None]
        return cls(
            shines=any(low > 0 for low in lows),
            differs=any(each.differs for each in rules.variants),
            discovered=any(each.q is not None and each.q <= CLAIMS for each in rules.variants),
            better=_claimed(rules.over_as_is),
            gains=_claimed(rules.over_nothing),
        )


def measured(feeds: int, seed: int, workers: int) -> list[Rate]:
    """Make and study feeds of each kind, those with invented changes last, and give the rates."""
    real = list(worked(REAL.name, partial(of_real_rules, seed=seed), range(feeds), workers))
    return [*rates(real), *variants.measured(feeds, seed, workers)]


def rates(claims: Sequence[Claims]) -> list[Rate]:
    """Give how often something is claimed of variants none of which is better."""
    of, count = REAL.name, len(claims)
    return [
        Rate("the best shines by its own interval", sum(each.shines for each in claims), count, of=of),
        Rate("one is said to differ", sum(each.differs for each in claims), count, most=CLAIMS, of=of),
        Rate("one has q at most 5 %", sum(each.discovered for each in claims), count, most=CLAIMS, of=of),
        Rate("the best is said to be better", sum(each.better for each in claims), count, most=CLAIMS, of=of),
        Rate("the best is said to gain", sum(each.gains for each in claims), count, most=CLAIMS, of=of),
    ]


def of_real_rules(number: int, seed: int) -> Claims:
    """Study a feed of pure chance with all changes of the rules."""
    study = studied(bars_of(REAL, number, seed), number, variants=True)
    return Claims.of(rules_of(study, SAMPLES, number))


def _claimed(best: Superior | None) -> bool:
    return best is not None and best.consistent <= CLAIMS
