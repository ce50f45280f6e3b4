"""Judged bars as the pages show them: rules as rows, how far a bar is from a setup, and a bar explained."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.present.reports.explain_report import missed_by, nearest_first
from scanner.wording.words import compared, number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.event_data import Measure, PlaceFound
    from scanner.page.workroom.judging import JudgedBar
    from scanner.store import SeriesKey


@dataclass(frozen=True, slots=True)
class MeasureRow:
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
    missed: Sequence[MeasureRow]
    rules: int
    set_aside: str


@dataclass(frozen=True, slots=True)
class ExplainedSetup:
    """One setup in one direction explained at one bar."""

    title: str
    head: str
    holds: bool
    rules: Sequence[MeasureRow]
    places: Mapping[str, PlaceFound]
    surroundings: Sequence[MeasureRow]
    evidence: Sequence[MeasureRow]
    story: str


@dataclass(frozen=True, slots=True)
class Explained:
    """A bar of a series that closed at ``close`` (nanoseconds since 1970 UTC), the nearest setups first.

    ``suspect`` says what is odd about it, or is empty; ``before`` and ``after`` are the addresses of its
    neighbours; ``bars`` are the bar and those before it, as written.
    """

    key: SeriesKey
    label: str
    close: int
    suspect: str
    opening: str
    accounts: Sequence[ExplainedSetup]
    before: str
    after: str
    bars: Sequence[tuple[str, ...]]


def rows(measures: Mapping[str, Measure]) -> list[MeasureRow]:
    """Give measures as rows."""
    return [
        MeasureRow(
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
    if not bar.judged:
        return None
    setup = nearest_first(bar.judged)[0]
    missing = [row for row in rows(setup.rules) if not row.holds]
    return Distance(setup.setup.title, setup.direction, missing, len(setup.rules), setup.set_aside)
