"""The first page: what is open, what waits for its entry, what closes next, and whether the watch is well."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.page.answers import board, known, looker, render
from scanner.ports import Message
from scanner.present.status_report import lag_in_words
from scanner.present.wording import phrase
from scanner.present.words import alert

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.events import Event
    from scanner.journal.open_risk import Position
    from scanner.journal.stories import Story
    from scanner.page.configured import Known
    from scanner.page.looking import Board
    from scanner.present.status_report import Status

MOST_SHOWN = 200
"""Stories that are shown of each kind, the newest first."""
MOST_BEHIND = 12


@dataclass(frozen=True, slots=True)
class Shown:
    """One open story as the page lists it."""

    story: Story
    orders: str
    next: str
    r: str | None
    at_stop: str | None
    decided: str
    held: Position | None
    warnings: Sequence[str]


def now(request: Request) -> Response:
    """Show how things stand."""
    seen, about = board(request), known(request)
    listed = [_shown(each, seen, about) for each in reversed(seen.stories)]
    open_ones = [each for each in listed if each.story.told is not None and each.story.told["state"] == "open"]
    waiting = [each for each in listed if each not in open_ones and not each.story.setup["set_aside"]]
    aside = [each for each in listed if each not in open_ones and each.story.setup["set_aside"]]
    return render(
        request,
        "now.html",
        open_ones=open_ones[:MOST_SHOWN],
        waiting=waiting[:MOST_SHOWN],
        aside=len(aside),
        left_out=max(len(open_ones) - MOST_SHOWN, 0) + max(len(waiting) - MOST_SHOWN, 0),
        risk=_risk(seen.held.values()),
        limits=about.settings.limits,
        currency=about.settings.account.currency,
        which=about.settings.follow.which,
        closes=_closes(seen.status),
        troubles=_troubles(seen.status),
        cold=sum(each.needed > 0 for each in seen.status.series) if seen.status else 0,
        recent=[_headline(each.event, about) for each in seen.recent],
        started=looker(request).board.status is not None,
    )


def _shown(story: Story, seen: Board, about: Known) -> Shown:
    told, decisions = story.told, seen.decisions.get(story.id, ())
    kinds = {each.kind for each in decisions}
    decided = "left" if "leave" in kinds else "taken" if "take" in kinds else "passed" if "pass" in kinds else ""
    return Shown(
        story,
        orders=orders_of(story, about),
        next="" if told is None else phrase(told["next"]),
        r=None if told is None else told["r"],
        at_stop=None if told is None else told["r_at_stop"],
        decided=decided,
        held=seen.held.get(story.id),
        warnings=story.setup["warnings"] if told is None else told["warnings"],
    )


def orders_of(story: Story, about: Known) -> str:
    """Say which orders are valid now."""
    told = story.told
    if told is not None:
        return phrase(told["orders"])
    begins = [each.event for each in story.events if each.event.facts.begins][-1]
    return alert(Message(begins), about.zone, None).orders.removeprefix("Orders: ")


def _risk(held: Iterable[Position]) -> tuple[Decimal, Decimal | None, int]:
    """Add up what is at risk: in R, in money where that is known of all, and in how many positions."""
    every = list(held)
    money = [each.money for each in every]
    return (
        sum((each.r for each in every), Decimal(0)),
        None if None in money else sum((each for each in money if each is not None), Decimal(0)),
        len(every),
    )


def _closes(status: Status | None) -> list[tuple[int, list[tuple[str, int]]]]:
    """List the next closes: when, and how many series of which timeframe."""
    found: Counter[tuple[int, str]] = Counter()
    for each in () if status is None else status.series:
        found[each.next_close, each.timeframe] += 1
    times = sorted({time for time, _ in found})
    return [(time, [(name, count) for (at, name), count in sorted(found.items()) if at == time]) for time in times[:6]]


def _troubles(status: Status | None) -> list[str]:
    """Say what is late or unwell."""
    if status is None:
        return []
    running = [] if status.process is not None else ["The station is not running: nobody is looking at its series."]
    late = [
        f"The feed {phrase(each.name)} is late: {each.behind:,} series lack a bar."
        for each in status.feeds
        if each.late
    ]
    behind = [each for each in status.series if each.lag]
    named = ", ".join(
        f"{phrase(each.instrument)} {each.timeframe} ({lag_in_words(each.lag)})" for each in behind[:MOST_BEHIND]
    )
    more = f" and {len(behind) - MOST_BEHIND:,} more" if len(behind) > MOST_BEHIND else ""
    sinks = [
        f"The sink {phrase(each.name)} has {each.waiting:,} waiting and {each.dead:,} that it refused for good."
        for each in status.sinks
        if each.dead or each.waiting
    ]
    old = (
        []
        if status.old is None
        else ["The configuration has changed since the station read it; closewatch status says more."]
    )
    return [
        *running,
        *late,
        *([f"Behind what has closed: {named}{more}."] if behind else []),
        *sinks,
        *old,
        *(phrase(each) for each in status.warnings),
    ]


def _headline(event: Event, about: Known) -> tuple[int, str]:
    zone = about.exchange_zone(event.data.get("instrument", ""))
    return event.time, alert(Message(event), about.zone, zone).headline
