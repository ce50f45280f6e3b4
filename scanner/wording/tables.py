"""Plain tables for a terminal: fast for ten thousand rows, narrow enough for eighty columns."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

NOTHING = "-"
"""The cell of a table without a value."""
INDENT, UNBROKEN = 4 * " ", "\N{NO-BREAK SPACE}"


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], left: Sequence[int] = (0,)) -> list[str]:
    """Lay out rows under their heads, as narrow as they allow; the columns in ``left`` are flush left.

    >>> table(["what", "how many"], [["bars", "5031"]])
    ['what  how many', 'bars      5031']
    """
    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    line = "  ".join(f"{{:{'<' if number in left else '>'}{width}}}" for number, width in enumerate(widths))
    return [line.format(*row).rstrip() for row in (heads, *rows)]


def fitted(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int | None,
    named: int,
    left: Collection[str],
    without: Collection[str] = (),
) -> list[str]:
    """Lay out rows as ``table`` does, or as one block for each row if ``width`` columns are too few for that.

    The columns ``without`` are left out; those named in ``left`` are flush left. ``width`` is None if lines may have
    any length. A block begins with the first ``named`` cells, and gives the rest with their heads, except empty ones.

    >>> fitted(["what", "how many", "where"], [["bars", "5031", "here"]], None, 1, ["what"], ["how many"])
    ['what  where', 'bars   here']
    >>> fitted(["what", "how many", "where"], [["bars", "5031", "here"]], 20, 1, ["what"])
    ['bars', '    how many 5031,', '    where here']
    """
    keep = [number for number, head in enumerate(heads) if head not in without]
    named = sum(number < named for number in keep)
    heads, rows = [heads[number] for number in keep], [[row[number] for number in keep] for row in rows]
    lines = table(heads, rows, [place for place, head in enumerate(heads) if head in left])
    if width is None or max(map(len, lines)) <= width:
        return lines
    return [line for row in rows for line in _block(heads, row, width, named)]


def _block(heads: Sequence[str], row: Sequence[str], width: int, named: int) -> list[str]:
    cells = [f"{head} {cell}" for head, cell in zip(heads[named:], row[named:], strict=True) if cell != NOTHING]
    rest = ", ".join(cells).replace(" ", UNBROKEN).replace(f",{UNBROKEN}", ", ")
    lines = [*wrap("  ".join(row[:named]), width), *wrap(rest, width, initial_indent=INDENT, subsequent_indent=INDENT)]
    return [line.replace(UNBROKEN, " ") for line in lines]
