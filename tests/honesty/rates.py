"""Rates: how often something happened in feeds, how uncertain that is, and the wanted rate."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

from scanner.journal.figures import wilson
from scanner.wording.tables import table

if TYPE_CHECKING:
    from collections.abc import Sequence

CLAIMS = 0.05
"""The largest share of feeds with a false claim."""
VERDICTS = {None: "", True: "met", False: "missed"}
HEADS = ("what", "feeds", "measured", "uncertain", "wanted", "")


@dataclass(frozen=True, slots=True)
class Rate:
    """A row of the table: what happened in how many feeds; the wanted share is from ``least`` to ``most``.

    ``of`` names the feeds. With ``least`` 0 and ``most`` 1, nothing is wanted: the row is only for information.
    """

    name: str
    hits: int
    feeds: int
    least: float = 0.0
    most: float = 1.0
    of: str = ""

    @classmethod
    def of_all(cls, rows: Sequence[Rate], of: str) -> Rate:
        """Give the rate of the same event over all feeds of several rows."""
        return replace(rows[0], hits=sum(row.hits for row in rows), feeds=sum(row.feeds for row in rows), of=of)

    @property
    def measured(self) -> float:
        """The measured share of the feeds."""
        return self.hits / self.feeds if self.feeds else 0.0

    @property
    def between(self) -> tuple[float, float]:
        """The 95 % interval of the share (Wilson): feeds are independent of each other."""
        return wilson(self.hits, self.feeds) if self.feeds else (0.0, 1.0)

    @property
    def wanted(self) -> str:
        """The wanted share, in words; empty if none is wanted."""
        if self.least > 0 and self.most < 1:
            return f"{percent(self.least)} to {percent(self.most)}"
        if self.most < 1:
            return f"at most {percent(self.most)}"
        return f"at least {percent(self.least)}" if self.least > 0 else ""

    def met(self, *, roughly: bool) -> bool:
        """Say whether the measured share is as wanted; ``roughly``, for a few feeds: whether the true share may be."""
        low, high = self.between if roughly else (self.measured, self.measured)
        return bool(self.feeds) and high >= self.least and low <= self.most

    def told(self, *, roughly: bool = False) -> dict[str, Any]:
        """Give the row as plain values, with everything for people as text."""
        low, high = self.between
        return {
            "of": self.of,
            "name": self.name,
            "feeds": self.feeds,
            "measured": percent(self.measured),
            "low": percent(low),
            "high": percent(high),
            "wanted": self.wanted,
            "met": self.met(roughly=roughly) if self.wanted else None,
        }


def percent(share: float) -> str:
    """Write a share.

    >>> percent(0.05), percent(0.934)
    ('5.0 %', '93.4 %')
    """
    return f"{100 * share:.1f} %"


def lines(rates: Sequence[Rate], *, roughly: bool) -> list[str]:
    """Format rates as a table, grouped by their feeds."""
    rows: list[tuple[str, ...]] = []
    for of, own in groupby(rates, key=lambda each: each.of):
        rows.append((of, *[""] * (len(HEADS) - 1)))
        for each in own:
            told = each.told(roughly=roughly)
            between = f"{told['low']} to {told['high']}"
            rows.append(
                ("  " + each.name, f"{each.feeds:,}", told["measured"], between, each.wanted, VERDICTS[told["met"]])
            )
    return table(HEADS, rows, left=(0, 4, 5))
