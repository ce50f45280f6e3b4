"""Changes of the rules, as tables and sentences: each of them, the best of them, and walk-forward."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from scanner.present.study.numbers import chance, count, in_r, month, span, with_span
from scanner.present.study.tables import Row, table
from scanner.wording.tables import NOTHING
from scanner.wording.words import counted, name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import Figures, RuleChanges, Superior, VariantResult, WalkForward

NAME_LENGTH = 80
MOST_CHOICES = 60
"""Most periods shown of the walk-forward; if there are more, the last ones."""
AS_IS, UNCHANGED = "the rules as they are", "as is"
"""How the unchanged rules are shown, and their name among the variants."""
LOW_BAR = "Random bars may also beat not trading at all, so read that together with the comparison with chance."


def best_first(found: Sequence[VariantResult]) -> list[VariantResult]:
    """Give the changes of the rules by their difference, those without one last."""
    return sorted(found, key=lambda each: -(float("-inf") if each.difference.value is None else each.difference.value))


def sentences(rules: RuleChanges) -> str:
    """Say whether the best of all changes beats the rules as they are, and whether it beats not trading."""
    differ = sum(each.differs for each in rules.variants)
    differing = (
        f"Of {len(rules.variants):,} changes, {differ:,} differ from the rules as they are by the interval that holds "
        "for all of them at once. If each were judged as if it were the only one, some would seem to differ by chance "
        "alone."
    )
    told = (
        _superior(rules.over_as_is, "the best of all changes", "the rules as they are"),
        _superior(rules.over_nothing, "the best of all changes and the rules as they are", "not trading at all"),
        f"{LOW_BAR} {differing}",
    )
    return "".join(f"<p>{escape(each)}</p>" for each in told)


def _superior(found: Superior | None, what: str, other: str) -> str:
    if found is None:
        return f"Whether {what} beats {other} is unknown: there is too little."
    return (
        f"{what[0].upper()}{what[1:]} is “{named(found.best)}”; against {other} it has p = {chance(found.consistent)} "
        f"after having looked at all of them (between {chance(found.lower)} and {chance(found.upper)})."
    )


def named(variant: str) -> str:
    """Name a variant; the name may contain a user's text."""
    return AS_IS if variant == UNCHANGED else name(variant, NAME_LENGTH)


def variants(rules: RuleChanges, as_is: Figures) -> str:
    """Show every change of the rules below the rules as they are."""
    head = ("rules", "difference", "corrected for all", "mean R", "p", "q", "differs", "closed")
    rows = [
        Row(
            named(each.variant.name),
            (
                with_span(each.difference),
                span(each.corrected),
                with_span(each.mean),
                chance(each.p),
                chance(each.q),
                "yes" if each.differs else "no",
                f"{each.closed:,} in {counted(each.months, 'month')}",
            ),
            each.too_few,
        )
        for each in best_first(rules.variants)
    ]
    closed = f"{as_is.closed:,} in {counted(as_is.months, 'month')}"
    unchanged = (NOTHING, NOTHING, with_span(as_is.mean), NOTHING, NOTHING, NOTHING, closed)
    first = Row(AS_IS, unchanged, as_is.too_few)
    return table(
        "Every change of the rules, one at a time, best first; grey: too few trades, or too few that differ",
        head,
        [first, *rows],
    )


def walk_forward(found: WalkForward) -> str:
    """Show settings chosen on the past alone, compared with the rules as they are over the same periods."""
    results = [
        Row("chosen on the past", (with_span(found.mean), count(found.closed)), found.too_few),
        Row(AS_IS, (with_span(found.as_is_mean), count(found.as_is_closed)), found.too_few),
        Row("difference", (with_span(found.difference), ""), found.too_few),
    ]
    caption, last = "What was chosen for each period, by trades that had ended before it", found.choices[-MOST_CHOICES:]
    if len(last) < len(found.choices):
        caption += f": the last {len(last)} of {len(found.choices):,} periods; FIGURES.json has all"
    choices = [
        Row(month(each.month), (named(each.chosen), count(each.ended_before), in_r(each.mean_before))) for each in last
    ]
    return "\n".join(
        (
            table(f"Chosen on the past alone, compared with {AS_IS}", ("rules", "mean R", "closed"), results),
            table(caption, ("from", "chosen", "had ended", "their mean R"), choices),
        )
    )
