"""Changes of the rules: each of them compared with the rules as they are, corrected for looking at all.

The result of a month is measured per trade, never as a sum over its trades. After costs most rules lose a little on
each trade, so in sums a variant that trades less would look better for that alone; if they gain, one that trades more.
So the test of superior predictive ability uses means per trade, each a ratio of two sums over the months drawn. The
number of trades that a change leaves is shown beside its mean: a mean says nothing about how often there is something
to trade.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.studies.figures.members import Members, beside_first
from scanner.studies.figures.results import Interval, RuleChanges, Superior, VariantResult
from scanner.studies.figures.several import chances, false_discovery, superior, together

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.members import GroupFigure, Groups
    from scanner.studies.schema import Study, Variant


def rules_of(study: Study, samples: int, seed: int) -> RuleChanges:
    """Give the effect of each change of the rules, and whether the best beats the rules as they are, or no trade.

    ``too_few`` marks a variant with too few trades, or one that differs from the rules as they are in too few: only the
    others are corrected for one another. The search for the best over not trading includes the rules as they are.
    """
    if not study.variants:
        return RuleChanges((), None, None)
    return rules_among(study.variants, beside_first(Members.of(study), samples, seed))


def rules_among(variants: Sequence[Variant], groups: Groups) -> RuleChanges:
    """Give the same for variants whose trades are these groups; the first are the rules as they are."""
    names = [variant.name for variant in variants]
    difference = groups.difference
    corrected, p, q = dict[int, Interval](), dict[int, float](), dict[int, float]()
    if difference.resampled is not None:
        chance = chances(difference.resampled)
        corrected = dict(zip(difference.which, together(difference.resampled), strict=True))
        p = dict(zip(difference.which, chance.tolist(), strict=True))
        q = dict(zip(difference.which, false_discovery(chance).tolist(), strict=True))
    results = [
        VariantResult(
            variant=variant,
            closed=groups.closed[number],
            months=groups.months[number],
            too_few=number not in corrected,
            mean=groups.mean.interval[number],
            difference=difference.interval[number],
            corrected=corrected.get(number, Interval(difference.interval[number].value)),
            p=p.get(number),
            q=q.get(number),
            differs=number in corrected and leaves_out_0(corrected[number]),
        )
        for number, variant in enumerate(variants)
    ]
    over_as_is, over_nothing = (
        _superior(each, names, groups.months_in_all) for each in (groups.difference, groups.mean)
    )
    return RuleChanges(tuple(results[1:]), over_as_is, over_nothing)


def _superior(drawn: GroupFigure, names: list[str], months: int) -> Superior | None:
    if drawn.resampled is None:
        return None
    return superior(drawn.resampled, [names[number] for number in drawn.which], months)


def leaves_out_0(interval: Interval) -> bool:
    """Say whether an interval lies on one side of 0."""
    low, high = interval.low, interval.high
    return low is not None and high is not None and (low > 0 or high < 0)
