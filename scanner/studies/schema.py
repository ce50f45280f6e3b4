"""The tables of a study: one row for each story, and which stories each variant of the rules has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from scanner.studies.checked import CheckedRows, Unjudged

Source = Literal["setup", "chance", "chance_cross"]
"""Sources of stories: found by the rules; a random bar of the same series and side with the same R in ATR; such a bar
with a fresh cross on the same side of the slow average."""
SOURCES: tuple[Source, ...] = ("setup", "chance", "chance_cross")
VERDICTS = ("holds", "fails", "unknown")
AROUND = "around_"
"""The prefix of the columns of surroundings."""

TIME = "datetime64[ns, UTC]"
TRADES: Mapping[str, str] = {
    "id": "str",
    "source": "category",
    "of": "str",
    "found": "bool",
    "instrument": "str",
    "group": "str",
    "timeframe": "str",
    "setup": "str",
    "direction": "str",
    "place": "str",
    "set_aside": "str",
    "evidence_points": "int64",
    "evidence_total": "int64",
    "exit_style": "str",
    "entry_style": "str",
    "state": "str",
    "found_at": TIME,
    "entered_at": TIME,
    "ended_at": TIME,
    "month": "int64",
    "hour": "int64",
    "bars_waited": "int64",
    "bars_held": "int64",
    "planned_entry": "float64",
    "entry": "float64",
    "first_stop": "float64",
    "stop": "float64",
    "exit": "float64",
    "risk": "float64",
    "risk_atr": "float64",
    "gross_r": "float64",
    "cost_r": "float64",
    "net_r": "float64",
    "cost_known": "bool",
    "best_r": "float64",
    "worst_r": "float64",
    "gapped_stop": "bool",
    "both_in_one_bar": "bool",
}
"""Columns and types of the table of trades; there is also one column AROUND + name for each surrounding.

A row is a story, of a setup or of a control. ``of`` is the id of the setup of a control; ``found`` is False for a setup
that only a variant of the rules finds. ``month`` is 12 · year + month − 1 of ``found_at`` in UTC. Missing prices are
NaN, and missing times NaT; ``net_r`` is NaN if nothing was closed, and only the rest count in figures of R.
"""
MEMBERS: Mapping[str, str] = {"variant": "str", "id": "str"}
"""Columns and types of the table of the rows of trades that each variant has."""


@dataclass(frozen=True, slots=True)
class Variant:
    """The rules with one thing changed; ``what`` is the rule, surrounding or setting, ``value`` its value."""

    name: str
    kind: Literal["as_is", "rule_off", "surrounding_off", "moved"]
    what: str
    value: str | float | None


@dataclass(frozen=True, slots=True)
class StudyFile:
    """A file from which bars were read, its size in bytes and the SHA-256 of its content."""

    name: str
    size: int
    mark: str


@dataclass(frozen=True, slots=True)
class Study:
    """The setups found in some bars.

    ``trades`` and ``members`` are tables of the columns TRADES and MEMBERS. ``bars`` and ``series`` count the input.
    ``first`` and ``last`` are the first opening and the last close, in nanoseconds since 1970 UTC. ``settings_mark``
    marks the rules that were used, ``costs_known`` is the share of the setups with known real costs, ``seed`` the seed
    of the random draws. ``checked`` are the rows of each file as the guard left them, none where it was not asked, and
    ``unjudged`` the series that were not judged, or not throughout.
    """

    trades: pd.DataFrame
    members: pd.DataFrame
    variants: tuple[Variant, ...]
    bars: int
    series: int
    instruments: tuple[str, ...]
    timeframes: tuple[str, ...]
    first: int
    last: int
    settings_mark: str
    costs_known: float
    files: tuple[StudyFile, ...]
    checked: tuple[CheckedRows, ...]
    unjudged: tuple[Unjudged, ...]
    seed: int
