"""Rules and surroundings folded into a line: how many hold, and which of them is closest to its bound or fails."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from scanner.wording.words import compared, number, phrase

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.event_data import Measure

BOUND = re.compile(r"(>=|<=|>|<) (-?[\d.]+)")
SPAN = re.compile(r"(-?[\d.]+) to (-?[\d.]+)")


def rules_in_a_line(rules: Mapping[str, Measure]) -> str:
    """Say that all rules of a setup hold, and which measured value is closest to its bound, as a part of that bound.

    Counts, such as of bars, and bounds of 0 have no such distance.

    >>> measure = {"measured": 0.11, "threshold": "<= 0.12", "verdict": True, "text": "doji's body"}
    >>> rules_in_a_line({"doji_body": measure})
    'The rule holds; closest to failing: doji body 0.11, wanted at most 0.12.'
    """
    said = "The rule holds" if len(rules) == 1 else f"All {len(rules)} rules hold"
    near = [(distance, name) for name, rule in rules.items() if (distance := _distance(rule)) is not None]
    return f"{said}; closest to failing: {against_bound(min(near)[1], rules)}." if near else f"{said}."


def against_bound(name: str, measures: Mapping[str, Measure]) -> str:
    """Give the measured value and its threshold, in a few words."""
    measure, shown = measures[name], name.replace("_", " ")
    bound = _nearest(measure)
    if bound is None or not bound[1] or measure["measured"] is None:
        return phrase(measure["text"]).partition(",")[0] or shown
    most, value = bound
    return f"{shown} {number(measure['measured'])}, wanted at {'most' if most else 'least'} {number(value)}"


def failing(measures: Mapping[str, Measure]) -> list[str]:
    """Name each one that fails, and by how much."""
    return [_failing(name, measures) for name, measure in measures.items() if not measure["verdict"]]


def measured_first(text: str) -> str:
    """Give the text of one of the surroundings with its last clause, to which its value belongs, first.

    >>> measured_first("R in steps 26, wanted >= 20; bars that are missing")
    'bars that are missing; R in steps 26, wanted ≥ 20'
    """
    *others, last = compared(text).split("; ")
    return "; ".join([last, *others])


def _failing(name: str, measures: Mapping[str, Measure]) -> str:
    said, text = against_bound(name, measures), measured_first(measures[name]["text"])
    return said if text.startswith(said) else f"{said} ({text})"


def _nearest(measure: Measure) -> tuple[bool, float] | None:
    """Give the nearest bound: whether it is an upper bound, and its value."""
    text, measured = measure["threshold"], measure["measured"]
    if found := BOUND.fullmatch(text):
        return found[1].startswith("<"), float(found[2])
    if (span := SPAN.fullmatch(text)) and measured is not None:
        low, high = float(span[1]), float(span[2])
        return (False, low) if measured - low <= high - measured else (True, high)
    return None


def _distance(measure: Measure) -> float | None:
    """Give the distance of a value from its bound, as a part of the bound; None if that is meaningless."""
    bound, measured = _nearest(measure), measure["measured"]
    if bound is None or measured is None or not bound[1]:
        return None
    if measured == int(measured) and bound[1] == int(bound[1]):
        return None
    return abs(measured - bound[1]) / abs(bound[1])
