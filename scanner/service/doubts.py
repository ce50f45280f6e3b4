"""Restated bars that nobody asked for, or many at once: taken only when a second answer agrees.

A feed is asked from the last known bar on, so it restates that one, or the few that came since the question. Where it
changes older ones unasked, its times may be wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.events import rfc3339
from scanner.market.bars import Bars
from scanner.service.restating import agreeing

if TYPE_CHECKING:
    from scanner.market.bars import Bar

MANY = 3
"""Bars that one answer may restate without a second one that agrees."""
NONE = Bars.of([])


def weigh(said: Bars, doubt: Bars, *, since: int, last: Bar, reaches: bool) -> tuple[Bars, Bars]:
    """Give which of the restated bars ``said`` by an answer to take, and which remain in doubt.

    ``doubt`` is what was in doubt before, ``since`` the opening from which on the feed was asked, and ``last`` the last
    bar known. An answer that does not reach that bar restates nothing and confirms nothing.
    """
    asked_again = bool(len(doubt)) and since <= doubt.open_time[0]
    if not reaches:
        return NONE, NONE if asked_again else (said if len(said) else doubt)
    confirmed = agreeing(said, doubt) & asked_again
    rest = said[~confirmed]
    usual_since = last.open_time if asked_again else since
    if not len(rest) or (len(rest) <= MANY and rest.open_time[0] >= usual_since):
        return said, NONE if asked_again else doubt
    if asked_again and rest.open_time[0] >= since:
        return said[confirmed], rest
    both = Bars.joined([said, doubt])
    _, first = np.unique(both.open_time, return_index=True)
    return NONE, both[first]


def sentence(doubt: Bars, since: int) -> str:
    """Say what is in doubt."""
    what = f"{len(doubt)} bars, the first of" if len(doubt) > 1 else "the bar of"
    return (
        f"the feed restated {what} {rfc3339(int(doubt.open_time[0]))}, but was asked for bars from {rfc3339(since)} "
        "on; this is taken only if a second answer agrees: see whether the times of its bars are right"
    )
