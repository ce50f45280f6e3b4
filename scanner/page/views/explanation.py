"""What the page of an explained bar shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.event_data import PlaceFound
    from scanner.page.views.measured import Row
    from scanner.store import SeriesKey


@dataclass(frozen=True, slots=True)
class Account:
    """One setup in one direction explained at one bar."""

    title: str
    head: str
    holds: bool
    rules: Sequence[Row]
    places: Mapping[str, PlaceFound]
    surroundings: Sequence[Row]
    evidence: Sequence[Row]
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
    accounts: Sequence[Account]
    before: str
    after: str
    bars: Sequence[tuple[str, ...]]
