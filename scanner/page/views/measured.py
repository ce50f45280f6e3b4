"""Rules as rows: the value measured at a bar, the threshold, and by how much it is missed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.present.reports.explain_report import missed_by, missed_rules, nearest
from scanner.wording.words import compared, number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.event_data import Measure
    from scanner.judgement import Judgement
    from scanner.page.workroom.judging import JudgedBar


@dataclass(frozen=True, slots=True)
class Row:
    """One rule, place or other measure."""

    name: str
    holds: bool
    measured: str
    wanted: str
    misses_by: str
    text: str


@dataclass(frozen=True, slots=True)
class Distance:
    """How far the last bar of a series is from a setup: the nearest setup, and the rules that fail."""

    title: str
    direction: str
    missed: Sequence[Row]
    rules: int
    set_aside: str


def rows(measures: Mapping[str, Measure]) -> list[Row]:
    """Give measures as rows."""
    return [
        Row(
            name,
            each["verdict"],
            number(each["measured"]),
            compared(each["threshold"]),
            missed_by(each),
            each["text"],
        )
        for name, each in measures.items()
    ]


def distance(bar: JudgedBar) -> Distance | None:
    """Say how far a bar is from a setup; None if there are too few bars."""
    found = nearest(bar.judged)
    if found is None:
        return None
    setup, missed = found
    missing = [row for row in rows(setup.rules) if row.name in missed]
    return Distance(setup.setup.title, setup.direction, missing, len(setup.rules), setup.set_aside)


def by_nearness(judged: Sequence[Judgement]) -> list[Judgement]:
    """Give the nearest setups first."""
    return sorted(judged, key=lambda each: len(missed_rules(each)) / len(each.rules))
