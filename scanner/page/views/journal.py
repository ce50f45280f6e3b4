"""The journal, newest first, and the review of a week or a month."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.events import KINDS
from scanner.journal.entries import JournalEntry, entry_of
from scanner.journal.review import DAYS, day_of, days_up_to, to_review
from scanner.journal.review import review as looked_back
from scanner.journal.stories import stories
from scanner.page.answers import asked, known, looker, now, stream
from scanner.page.words import address
from scanner.present.reports.journal_report import BROKEN_SHORT, BROKEN_WORDS, LEGEND, figure_rows, state_in_words
from scanner.store import StoreTroubleError
from scanner.wording.times import in_zone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.events import Kind
    from scanner.journal.review import Review
    from scanner.page.known.looking import Looker

ON_A_PAGE = 40
LONGEST_LOOK = 2_000
"""Setups searched for one page of matches."""
BEGINNINGS: tuple[Kind, ...] = tuple(kind for kind, facts in KINDS.items() if facts.begins)
DECISIONS = ("taken", "passed", "none")


def journal(request: Request) -> Response:
    """Show stories with their decisions, those reported last first."""
    decision, instrument = asked(request, "decision"), asked(request, "instrument")
    told = asked(request, "before", 18)
    before = int(told) if told.isdecimal() else 2**62

    def look() -> tuple[list[JournalEntry], str] | None:
        """Give the entries, and the address of those before them; None if the store cannot be read."""
        try:
            entries, further = _page(looker(request), before, decision, instrument)
        except StoreTroubleError:
            return None
        if further is None:
            return entries, ""
        return entries, address("/journal", decision=decision, instrument=instrument, before=further)

    return stream(
        request,
        "journal.html",
        look=look,
        decision=decision if decision in DECISIONS else "",
        instrument=instrument,
        first=before == 2**62,
        state=state_in_words,
        broken=BROKEN_SHORT,
        broken_words=BROKEN_WORDS,
        legend=LEGEND,
    )


def _page(looking: Looker, before: int, decision: str, instrument: str) -> tuple[list[JournalEntry], int | None]:
    """Give the entries of one page, and where the next page begins; None if there is none."""
    store, found, looked = looking.store, list[JournalEntry](), 0
    while looked < LONGEST_LOOK:
        beginnings = store.events.before(before, BEGINNINGS, ON_A_PAGE)
        for kept in beginnings:
            before, looked = kept.number, looked + 1
            if instrument and kept.event.data["instrument"] != instrument:
                continue
            story = next(iter(stories(store.events.story(kept.event.thread))), None)
            # A setup reported again keeps its first place.
            if story is None or story.events[0].number != kept.number:
                continue
            entry = entry_of(story, store.decisions.on(story.id))
            if decision not in DECISIONS or (entry.decision or "none") == decision:
                found.append(entry)
            if len(found) == ON_A_PAGE:
                return found, before
        if len(beginnings) < ON_A_PAGE:
            return found, None
    return found, before


def review(request: Request) -> Response:
    """Show the review of a week or a month."""
    span, until = asked(request, "span"), asked(request, "until")
    span = span if span in DAYS else "week"
    zone = known(request).zone
    today = in_zone(now(request), zone).date()
    try:
        last, wrong = (day_of(until) if until else today), ""
    except ValueError:
        last, wrong = today, "Write the last day as 2026-03-02."
    first, end = days_up_to(last, span, zone)

    def looked() -> tuple[Review, Sequence[str], list[tuple[str, ...]], list[str]] | None:
        try:
            found = _review(request, first, end)
        except StoreTroubleError:
            return None
        return found, *figure_rows(found)

    return stream(
        request,
        "review.html",
        looked=looked,
        span=span,
        until=last.isoformat(),
        broken_words=BROKEN_WORDS,
        wrong=wrong,
    )


def _review(request: Request, first: int, end: int) -> Review:
    """Review the period; the result is kept until there is a new event or decision."""
    store, kept = looker(request).store, request.app.state.reviews
    made = store.decisions.all()
    key = first, end, store.events.last(), made[-1].number if made else 0
    if key not in kept:
        kept.clear()
        kept[key] = looked_back(to_review(store, made, first, end), made, first, end)
    found: Review = kept[key]
    return found
