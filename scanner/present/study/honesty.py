"""What was measured of the study itself: how often it claims, finds and covers where the truth is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.present.study.tables import Row, table

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Measured:
    """A table of measured rates: a caption, the names of its columns, and rows of a name and a cell for each other."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def honesty(measured: Sequence[Measured]) -> str:
    """Show the tables of what was measured."""
    return "\n".join(
        table(each.caption, each.head, [Row(words, tuple(cells)) for words, *cells in each.rows]) for each in measured
    )
