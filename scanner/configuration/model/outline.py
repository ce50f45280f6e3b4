"""A configuration in outline: what there is to say of it without its rules, in plain values that are quick to load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal
    from pathlib import Path

    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.timeframes import Timeframe
    from scanner.trade.following import Follow
    from scanner.trade.limits import Limits
    from scanner.trade.size import Account


FIXED = ("station", "feeds", "sinks", "quiet", "ceiling", "page")
"""Parts of the settings that are only read at the start."""


@dataclass(frozen=True, slots=True)
class OnList:
    """How an instrument is watched; ``warm_up`` bars are wanted before anything is said of it."""

    feed: str
    group: str
    calendar: Calendar
    base: Timeframe
    timeframes: tuple[Timeframe, ...]
    warm_up: int
    point_value: Decimal
    currency: str


@dataclass(frozen=True, slots=True)
class Outline:
    """What others than the station go by.

    ``listed`` is by instrument; those that are watched in the same way share one object. ``mark`` tells the file from
    others, and ``fixed_mark`` what is only read at the start. ``patience`` is that of each feed, in seconds. ``played``
    says that the bars are those of a recording. ``marks`` are those of rules and costs, each with the number of
    instruments that have it; a study that is older than ``study_age`` days is called old. ``warnings`` are hazards at
    the time it was read.
    """

    station: str
    zone: str
    store_path: Path
    mark: str
    fixed_mark: str
    account: Account
    limits: Limits
    follow: Follow
    listed: Mapping[str, OnList]
    patience: Mapping[str, float]
    played: bool
    sinks: Sequence[str]
    marks: Mapping[str, int]
    study_age: int
    warnings: Sequence[str]

    def on_list(self, name: str) -> OnList | None:
        """Give an instrument; None where it is not on the list."""
        return self.listed.get(name)
