"""Reads a page as a program for the blind would: elements, headings, pictures, and tables by their captions."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

VOID = {"meta", "img", "br", "hr", "input", "link", "col"}
NUMBER = re.compile(r"(?:<\s*)?[+−-]?\d[\d,]*(?:\.\d+)?")


@dataclass
class Table:
    """A table: the names of its columns, and its rows by name, with the class of each."""

    caption: str = ""
    head: list[str] = field(default_factory=list)
    rows: dict[str, list[str]] = field(default_factory=dict)
    few: dict[str, bool] = field(default_factory=dict)

    def column(self, name: str) -> dict[str, str]:
        """Give the cells of a column by the name of the row."""
        return {row: cells[self.head.index(name) - 1] for row, cells in self.rows.items()}


class Page(HTMLParser):
    """The content of a page. AssertionError if an element is not closed, or closed inside another."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.headings: list[tuple[int, str]] = []
        self.tables: list[Table] = []
        self.text = ""
        self._open: list[str] = []
        self._row: list[str] = []
        self._few = False
        self.feed(text)
        self.close()
        assert not self._open, f"never closed: {self._open}"

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in VOID:
            return
        self._open.append(tag)
        if tag == "table":
            self.tables.append(Table())
        elif tag == "tr":
            self._row, self._few = [], dict(attrs).get("class") == "few"
        elif tag in {"th", "td"}:
            assert tag == "td" or dict(attrs).get("scope") in {"col", "row", "rowgroup"}
            self._row.append("")
        elif tag in {"h1", "h2", "h3"}:
            self.headings.append((int(tag[1]), ""))

    def handle_endtag(self, tag: str) -> None:
        assert self._open, tag
        assert self._open.pop() == tag
        if tag == "tr" and "thead" in self._open:
            self.tables[-1].head = self._row
        elif tag == "tr" and len(self._row) > 1:
            self.tables[-1].rows[self._row[0]] = self._row[1:]
            self.tables[-1].few[self._row[0]] = self._few

    def handle_data(self, data: str) -> None:
        self.text += data
        if "caption" in self._open:
            self.tables[-1].caption += data
        elif {"td", "th"} & set(self._open):
            self._row[-1] += data
        elif {"h1", "h2", "h3"} & set(self._open):
            level, words = self.headings[-1]
            self.headings[-1] = level, words + data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Give the attributes of every element of a kind."""
        return [attributes for name, attributes in self.elements if name == tag]

    def table(self, caption: str) -> Table:
        """Find a table by the beginning of its caption."""
        (found,) = [each for each in self.tables if each.caption.startswith(caption)]
        return found


def numbers(cell: str) -> list[float]:
    """Read the numbers in a cell; a per cent is a hundredth."""
    scale = 0.01 if "%" in cell else 1.0
    return [float(each.replace("−", "-").replace(",", "")) * scale for each in NUMBER.findall(cell)]
