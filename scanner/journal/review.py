"""A look back at a stretch of time: setups, decisions and results."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from scanner.clocks import SECOND
from scanner.journal.entries import broken, by_story, entry_of
from scanner.journal.figures import JournalFigures, figures
from scanner.journal.stories import Story, stories

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from decimal import Decimal

    from scanner.journal.entries import Broken, JournalEntry
    from scanner.store import KeptDecision, Store

Group = Literal["taken", "own", "passed", "all", "set_aside"]
"""Whose results: those taken, by the rules and by the user's ``own`` prices; those passed; all but those set aside; and
these."""


DAYS = {"week": 7, "month": 30}
"""How many days a review may be of."""
FIRST_YEAR, LAST_YEAR = 1970, 2200


def day_of(text: str) -> date:
    """Read a day such as 2026-03-02; ValueError for anything else, and outside the years that are counted."""
    day = date.fromisoformat(text)
    if not FIRST_YEAR < day.year < LAST_YEAR:
        raise ValueError(f"{day} lies outside the years from {FIRST_YEAR} to {LAST_YEAR}")
    return day


def midnight(day: date, zone: str) -> int:
    """Give when a day begins in a zone, in nanoseconds since 1970 UTC."""
    return round(datetime.combine(day, time(), ZoneInfo(zone)).timestamp()) * SECOND


def days_up_to(last: date, span: str, zone: str) -> tuple[int, int]:
    """Give the begin and the end of a week or a month whose last day is known, by the days of a zone."""
    return midnight(last + timedelta(1 - DAYS[span]), zone), midnight(last + timedelta(1), zone)


@dataclass(frozen=True, slots=True)
class Review:
    """What happened from ``since`` to before ``until``, in nanoseconds since 1970 UTC.

    Each is counted when it happened: a setup at the close of its bar, a decision at the close of the bar before it, an
    entry or a close when it was reported. ``found`` includes those ``set_aside``. ``figures`` are those of stories that
    ended in that time, whenever they were found; the user's own may be known where the rules have no result.
    """

    since: int
    until: int
    found: int
    set_aside: int
    taken: int
    passed: int
    entered: int
    closed: int
    figures: Mapping[Group, JournalFigures]
    broken: Mapping[Broken, int]


def to_review(store: Store, made: Sequence[KeptDecision], since: int, until: int) -> Iterator[Story]:
    """Give the stories with an event or a decision in that time; one by one, since all may not fit into memory."""
    threads = dict.fromkeys(store.events.threads(since, until))
    threads |= dict.fromkeys(each.thread for each in made if since <= each.bar < until)
    return (story for thread in threads for story in stories(store.events.story(thread)))


def review(looked_at: Iterable[Story], decisions: Iterable[KeptDecision], since: int, until: int) -> Review:
    """Look back at stories; those of ``to_review`` are enough, and there may be more."""
    made = by_story(decisions)
    counts: Counter[str] = Counter()
    rules_broken: Counter[Broken] = Counter()
    ended: list[JournalEntry] = []
    for story in looked_at:
        times = {each.number: each.event.time for each in story.events}
        mine = made.get(story.id, [])
        within = [each for each in mine if since <= max(each.bar, times[each.after]) < until]
        entry = entry_of(story, mine)
        if since <= story.found < until:
            counts["found"] += 1
            counts["set_aside"] += bool(entry.set_aside)
        counts["taken"] += any(each.kind == "take" for each in within)
        counts["passed"] += entry.decision == "passed" and any(each.kind == "pass" for each in within)
        counts["entered"] += any(
            each.event.kind == "setup.entered" and since <= each.event.time < until for each in story.events
        )
        rules_broken.update(kind for kind, by in broken(story, mine) if by in within)
        if not story.is_open and since <= story.last.time < until:
            ended.append(entry)
    return Review(
        since,
        until,
        counts["found"],
        counts["set_aside"],
        counts["taken"],
        counts["passed"],
        counts["entered"],
        sum(each.is_closed for each in ended),
        _figures(ended),
        rules_broken,
    )


def _figures(ended: list[JournalEntry]) -> dict[Group, JournalFigures]:
    taken = [each for each in ended if each.decision == "taken"]
    return {
        "taken": _by_the_rules(taken),
        "own": figures([each.own_r for each in taken if each.own_r is not None]),
        "passed": _by_the_rules(each for each in ended if each.decision == "passed"),
        "all": _by_the_rules(each for each in ended if not each.set_aside),
        "set_aside": _by_the_rules(each for each in ended if each.set_aside),
    }


def _by_the_rules(ended: Iterable[JournalEntry]) -> JournalFigures:
    results: list[Decimal] = []
    costs: list[Decimal | None] = []
    for each in ended:
        if each.r is not None:
            results.append(each.r)
            costs.append(each.cost_r)
    return figures(results, costs)
