"""Which rule earns its keep, as tables and sentences: every change of the rules, the best of them, and walk-forward."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from scanner.present.study.numbers import NOTHING, chance, count, in_r, month, span, with_span
from scanner.present.study.tables import Row, table
from scanner.present.wording import counted, name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import Rules, Superior, VariantResult, WalkForward

NAME_LENGTH = 80
MOST_CHOICES = 60
"""Periods of the walk-forward that are shown; the last of them, where there are more."""
AS_IS = "the rules as they are"


def changed(found: Sequence[VariantResult]) -> list[VariantResult]:
    """Give the changes of the rules that have a difference, best first, and then the others."""
    changes = [each for each in found if each.variant.kind != "as_is"]
    return sorted(
        changes, key=lambda each: -(float("-inf") if each.difference.value is None else each.difference.value)
    )


def sentences(rules: Rules) -> str:
    """Say whether the best of all changes beats the rules as they are, and whether it beats no trade."""
    told = [_superior(rules.over_as_is, AS_IS), _superior(rules.over_nothing, "not trading at all")]
    differ = sum(each.differs for each in rules.variants)
    changes = len(changed(rules.variants))
    told.append(
        f"Of {changes:,} changes, {differ:,} differ from the rules as they are by the interval that holds for all of "
        "them at once. By chance alone, some would seem to if each were judged as if it were the only one."
    )
    return "".join(f"<p>{escape(each)}</p>" for each in told if each)


def _superior(found: Superior | None, what: str) -> str:
    if found is None:
        return f"Whether the best of all changes beats {what} cannot be said: there is too little."
    return (
        f"The best of all, {name(found.best, NAME_LENGTH)}, against {what}: p = {chance(found.consistent)} after "
        f"having looked at all of them (between {chance(found.lower)} and {chance(found.upper)})."
    )


def variants(rules: Rules) -> str:
    """Show every change of the rules beside the rules as they are."""
    head = ("rules", "difference", "corrected for all", "mean R", "p", "q", "differs", "closed")
    as_is = [each for each in rules.variants if each.variant.kind == "as_is"]
    rows = [
        Row(
            AS_IS if each.variant.kind == "as_is" else name(each.variant.name, NAME_LENGTH),
            (
                *(
                    (NOTHING,) * 2
                    if each.variant.kind == "as_is"
                    else (with_span(each.difference), span(each.corrected))
                ),
                with_span(each.mean),
                chance(each.p),
                chance(each.q),
                "yes" if each.differs else "no",
                f"{each.closed:,} in {counted(each.months, 'month')}",
            ),
            each.too_few,
        )
        for each in [*as_is, *changed(rules.variants)]
    ]
    return table("Every change of the rules, one at a time, best first", head, rows)


def walk_forward(found: WalkForward) -> str:
    """Show numbers that were chosen on the past alone, beside the defaults over the same periods."""
    results = [
        Row("chosen on the past", (with_span(found.mean), count(found.closed)), found.too_few),
        Row(AS_IS, (with_span(found.as_is_mean), count(found.as_is_closed)), found.too_few),
        Row("difference", (with_span(found.difference), ""), found.too_few),
    ]
    caption, last = "What was chosen for each period, by what had ended before it", found.choices[-MOST_CHOICES:]
    if len(last) < len(found.choices):
        caption += f": the last {len(last)} of {len(found.choices):,} periods; FIGURES.json has all"
    choices = [
        Row(month(each.month), (name(each.chosen, NAME_LENGTH), count(each.ended_before), in_r(each.mean_before)))
        for each in last
    ]
    return "\n".join(
        (
            table("Chosen on the past alone, beside the defaults", ("rules", "mean R", "closed"), results),
            table(caption, ("from", "chosen", "had ended", "their mean R"), choices),
        )
    )
