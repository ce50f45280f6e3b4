"""What the page knows of a configuration, as plain values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from scanner.configuration.model.outline import Outline
    from scanner.configuration.model.page import Page


@dataclass(frozen=True, slots=True)
class SetupLine:
    """A setup as the list of setups shows it; ``watched`` says on, off or for which instruments it is on."""

    name: str
    title: str
    summary: str
    watched: str


@dataclass(frozen=True, slots=True)
class SetupSheet:
    """A setup explained: its bars with their letters, and its rules, numbers and evidence as rows of texts.

    ``told_ahead`` says that it can be announced one bar ahead; a row of numbers has one more cell if the station
    ``has_changes``.
    """

    bars: Sequence[tuple[str, str]]
    places: Sequence[str]
    told_ahead: bool
    rules: Sequence[tuple[str, ...]]
    numbers: Sequence[tuple[str, ...]]
    has_changes: bool
    evidence: Sequence[tuple[str, ...]]
    spoiled: Sequence[str]


@dataclass(frozen=True, slots=True)
class PlainConfig:
    """A configuration as plain values. Relative paths begin at ``folder``; ``setups`` are all that are installed.

    ``dates`` is the file of the user's dates, None if there is none.
    """

    outline: Outline
    folder: Path
    dates: Path | None
    page: Page | None
    setups: Mapping[str, SetupLine]

    @property
    def zone(self) -> str:
        """The user's time zone."""
        return self.outline.zone

    def exchange_zone(self, instrument: str) -> str | None:
        """Give the zone of an instrument's sessions; None if it is not watched."""
        watched = self.outline.on_list(instrument)
        return None if watched is None else watched.calendar.tz
