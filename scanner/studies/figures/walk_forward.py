"""Rules chosen from the past alone: for each year, the variant with the best trades that had ended before it.

The choice uses what was known on 1 January: results of trades closed by then. The trades that the chosen rules find in
that year are counted. So no choice uses the trades on which it is judged.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from scanner.clocks import SECOND
from scanner.studies.figures.members import Members, beside_first, enough
from scanner.studies.figures.months import too_few
from scanner.studies.figures.results import PeriodChoice, WalkForward
from scanner.studies.stories.variants import AS_IS

if TYPE_CHECKING:
    from scanner.studies.schema import Study

MONTHS = 12


def walk_forward_of(study: Study, samples: int, seed: int) -> WalkForward | None:
    """Choose among all variants for each year, and compare with the rules as they are over the same years.

    The first year is the one before which the rules as they are had enough trades for an interval, and no variant is
    chosen with fewer. Of equal means, the first counts. None if there is no such year, or nothing to choose from.
    """
    if len(study.variants) < 2:  # noqa: PLR2004 - the rules as they are and another
        return None
    members = Members.of(study)
    if not len(members.month):
        return None
    choices, has = [], np.zeros((2, len(members.month)), dtype=np.bool_)
    for year in range(int(members.month.min()) // MONTHS, int(members.month.max()) // MONTHS + 1):
        start = int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) * SECOND
        count, total = members.only(members.ended_at < start).by_month()
        known = enough(count)
        if not known[AS_IS]:
            continue
        trades, in_all = count.sum(axis=1), total.sum(axis=1)
        mean = np.divide(in_all, trades, out=np.full_like(trades, -np.inf), where=known)
        best = int(np.argmax(mean))
        choices.append(PeriodChoice(MONTHS * year, study.variants[best].name, int(trades[best]), float(mean[best])))
        has |= members.has[[AS_IS, best]] & (members.month // MONTHS == year)
    if not choices:
        return None
    groups = beside_first(replace(members, has=has).only(np.logical_or.reduce(has)), samples, seed)
    return WalkForward(
        choices=tuple(choices),
        closed=groups.closed[1],
        as_is_closed=groups.closed[0],
        too_few=too_few(groups.closed[1], groups.months[1]),
        mean=groups.mean.interval[1],
        as_is_mean=groups.mean.interval[0],
        difference=groups.difference.interval[1],
    )
