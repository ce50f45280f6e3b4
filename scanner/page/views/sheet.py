"""What the page of a setup shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Sheet:
    """A setup: its bars with their letters, and its rules, numbers and evidence as rows of texts.

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
