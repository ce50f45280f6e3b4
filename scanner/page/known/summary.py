"""What the first page says of all series together, computed once per look instead of for each reader."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.market.digits import grouped
from scanner.present.reports.status_report import lag_in_words
from scanner.wording.words import number_of, phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.present.reports.status_report import Status

MOST_BEHIND, MOST_CLOSES = 12, 6


@dataclass(frozen=True, slots=True)
class Summary:
    """The next closes with their numbers of series and timeframes; what is late or failing; how many are not warm."""

    closes: Sequence[tuple[int, Sequence[tuple[str, int]]]] = ()
    troubles: Sequence[str] = ()
    cold: int = 0


def summary_of(status: Status) -> Summary:
    """Sum up the state of a station."""
    return Summary(_closes(status), _troubles(status), sum(each.needed > 0 for each in status.series))


def _closes(status: Status) -> list[tuple[int, list[tuple[str, int]]]]:
    found = Counter((each.next_close, each.timeframe) for each in status.series)
    times = sorted({time for time, _ in found})[:MOST_CLOSES]
    return [(time, [(name, count) for (at, name), count in sorted(found.items()) if at == time]) for time in times]


def _troubles(status: Status) -> list[str]:
    running = [] if status.process is not None else ["The station is not running: nobody is looking at its series."]
    late = [
        f"The feed {phrase(each.name)} is late: {grouped(each.behind)} series lack a bar"
        + (f"; {phrase(each.reason)}." if each.reason else ".")
        for each in status.feeds
        if each.late
    ]
    behind = [each for each in status.series if each.lag]
    named = ", ".join(
        f"{phrase(each.instrument)} {each.timeframe} ({lag_in_words(each.lag)})" for each in behind[:MOST_BEHIND]
    )
    more = f" and {grouped(len(behind) - MOST_BEHIND)} more" if len(behind) > MOST_BEHIND else ""
    sinks = [
        f"The sink {phrase(each.name)} "
        + " and ".join(
            [
                *([f"has {number_of(each.waiting, 'message')} waiting"] if each.waiting else []),
                *([f"refused {number_of(each.dead, 'message')} for good"] if each.dead else []),
            ]
        )
        + "."
        for each in status.sinks
        if each.dead or each.waiting
    ]
    changed = "The configuration has changed since the station read it; closewatch status says more."
    return [
        *running,
        *late,
        *([f"Behind: {named}{more}."] if behind else []),
        *sinks,
        *([] if status.old is None else [changed]),
        *(phrase(each) for each in status.warnings),
    ]
