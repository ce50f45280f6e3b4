"""Measurements of the study itself: how often it claims, finds and covers, on feeds whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import orjson

from scanner.present.study.numbers import count
from scanner.present.study.tables import Row, RowGroup, grouped
from scanner.wording.tables import NOTHING

if TYPE_CHECKING:
    from collections.abc import Sequence

FILE = Path(__file__).with_name("honesty.json")
"""The last output of ``python -m tests.honesty --write``."""
MET = {None: NOTHING, True: "met", False: "missed"}


@dataclass(frozen=True, slots=True)
class Rate:
    """In how many of the ``feeds`` something happened: the share, its interval and the target, all in words.

    ``of`` says which feeds they are; ``met`` is None without a target.
    """

    of: str
    name: str
    feeds: int
    measured: str
    low: str
    high: str
    wanted: str
    met: bool | None


@dataclass(frozen=True, slots=True)
class Measured:
    """Rates of one part of the measurements, and the command that measured them on a day."""

    date: str
    command: str
    rows: tuple[Rate, ...]


def measured() -> tuple[Measured, ...]:
    """Read the last measurements, part by part."""
    told: dict[str, Any] = orjson.loads(FILE.read_bytes())
    return tuple(
        Measured(part["date"], part["command"], tuple(Rate(**row) for row in part["rows"])) for part in told.values()
    )


def honesty(found: Sequence[Measured]) -> str:
    """Show the measurements, by the feeds they were made on."""
    head = ("share of feeds", "measured", "interval", "target", "", "feeds")
    groups = [
        RowGroup(of, tuple(Row(each.name, _cells(each)) for each in rows))
        for part in found
        for of, rows in groupby(part.rows, key=lambda each: each.of)
    ]
    commands = " and ".join(dict.fromkeys(f"{part.command} on {part.date}" for part in found))
    words = (
        "The study was run on invented feeds whose truth is known, and its answers were compared with that. "
        f"Measured by {commands}; run these to measure again."
    )
    return f"<p>{escape(words)}</p>\n{grouped('Measured on feeds whose truth is known', head, groups)}"


def _cells(rate: Rate) -> tuple[str, ...]:
    between = f"{rate.low} … {rate.high}"
    return rate.measured, between, rate.wanted or NOTHING, MET[rate.met], count(rate.feeds)
