"""Tables for a page: their contents are escaped here, and they scroll sideways if there is no room."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

LONG, WORDS = 40, ' class="words"'
"""A cell with more letters holds text, which may take several lines."""


@dataclass(frozen=True, slots=True)
class Row:
    """A row by its name. One with too ``few`` trades is grey; its cells say so."""

    name: str
    cells: tuple[str, ...]
    few: bool = False


@dataclass(frozen=True, slots=True)
class RowGroup:
    """Rows that belong together; ``name`` is shown above them unless it is empty."""

    name: str
    rows: tuple[Row, ...]


def table(caption: str, head: Sequence[str], rows: Sequence[Row]) -> str:
    """Write a table of rows that all belong together."""
    return grouped(caption, head, (RowGroup("", tuple(rows)),))


def grouped(caption: str, head: Sequence[str], groups: Sequence[RowGroup]) -> str:
    """Write a table: ``head`` names the columns, that of the rows' names first; rows have a cell for each other one."""
    heads = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    bodies = "\n".join(f"<tbody>\n{_group(group, len(head))}\n</tbody>" for group in groups)
    caption = escape(caption)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{caption}">\n<table>\n'
        f"<caption><span>{caption}</span></caption>\n<thead><tr>{heads}</tr></thead>\n{bodies}\n</table>\n</div>"
    )


def _group(group: RowGroup, columns: int) -> str:
    title = f'<tr><th scope="rowgroup" colspan="{columns}"><span>{escape(group.name)}</span></th></tr>'
    return "\n".join([title] * bool(group.name) + [_row(row) for row in group.rows])


def _row(row: Row) -> str:
    cells = "".join(f"<td{WORDS * (len(cell) > LONG)}>{escape(cell)}</td>" for cell in row.cells)
    few = ' class="few"' if row.few else ""
    return f'<tr{few}><th scope="row">{escape(row.name)}</th>{cells}</tr>'
