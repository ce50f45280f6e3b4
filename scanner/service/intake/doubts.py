"""Restated bars that nobody asked for, many at once, and bars after a gap: taken only when a second answer agrees.

A feed is asked from the last known bar on, so it may restate that one, or the few that came since the request. If it
changes older ones unasked, its times may be wrong. If it leaves out that bar and others after it, part of the answer
may be missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from scanner.events import rfc3339
from scanner.market.bars import NO_BARS, NO_TIME, Bars
from scanner.service.changes.restating import agreeing

if TYPE_CHECKING:
    from scanner.market.bars import Bar

MANY = 3
"""Bars that one answer may restate without a second one that agrees."""


@dataclass(frozen=True, slots=True)
class WeighedBars:
    """Which restated bars to take, from which opening on to ask for a second answer, and what to report on the rest."""

    bars: Bars = NO_BARS
    look_again: int | None = None
    sentence: str = ""


class Doubts:
    """The doubtful bars, by instrument."""

    def __init__(self) -> None:
        self._left: dict[str, Bars] = {}
        self._gaps: dict[str, tuple[int, int]] = {}
        """The opening of the last bar known when an answer left out bars after it, and that with which it began."""
        self._told: set[str] = set()
        """Instruments whose current doubt was reported."""

    def forget(self, name: str) -> None:
        """Start afresh with an instrument whose bars could not be stored."""
        self._left.pop(name, None)
        self._gaps.pop(name, None)
        self._told.discard(name)

    def doubts_gap(self, name: str, last: Bar, begin: int) -> bool:
        """Note that an answer left out the bars between the ``last`` one known and the opening ``begin``.

        Returns whether it is in doubt that the feed lacks them: not once a second answer begins there or later.
        """
        before = self._gaps.get(name)
        self._gaps[name] = last.open_time, begin
        return before is None or before[0] != last.open_time or before[1] > begin

    def weigh(self, name: str, said: Bars, *, since: int | None, last: Bar, reaches: bool) -> WeighedBars:
        """Weigh the bars ``said`` that an answer restates.

        ``since`` is the opening from which on the feed was asked, None for all it has, and ``last`` the last bar known.
        An answer that does not reach that bar restates nothing and confirms nothing.
        """
        before = self._left.pop(name, NO_BARS)
        bars, left = weigh(said, before, since=NO_TIME if since is None else since, last=last, reaches=reaches)
        if len(left):
            self._left[name] = left
        if not len(left) or left is before:
            if not len(said) or len(bars):
                self._told.discard(name)
            return WeighedBars(bars)
        told = name in self._told
        self._told.add(name)
        again = int(left.open_time[0])
        return WeighedBars(bars, again, "" if told else sentence(left, last.open_time if since is None else since))


def weigh(said: Bars, doubt: Bars, *, since: int, last: Bar, reaches: bool) -> tuple[Bars, Bars]:
    """Divide the restated bars ``said`` into those to take and those in doubt; ``doubt`` was in doubt before."""
    asked_again = bool(len(doubt)) and since <= doubt.open_time[0]
    if not reaches:
        return NO_BARS, NO_BARS if asked_again else (said if len(said) else doubt)
    confirmed = agreeing(said, doubt) & asked_again
    rest = said[~confirmed]
    usual_since = last.open_time if asked_again else since
    if not len(rest) or (len(rest) <= MANY and rest.open_time[0] >= usual_since):
        return said, NO_BARS if asked_again else doubt
    if asked_again and rest.open_time[0] >= since:
        return said[confirmed], rest
    both = Bars.joined([said, doubt])
    _, first = np.unique(both.open_time, return_index=True)
    return NO_BARS, both[first]


def sentence(doubt: Bars, since: int) -> str:
    """Describe what is in doubt."""
    what = f"{len(doubt)} bars, the first of" if len(doubt) > 1 else "the bar of"
    return (
        f"the feed restated {what} {rfc3339(int(doubt.open_time[0]))}, but was asked for bars from {rfc3339(since)} "
        "on; this is taken only if a second answer agrees: see whether the times of its bars are right"
    )
