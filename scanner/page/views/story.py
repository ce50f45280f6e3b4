"""One story: its chart, its outcome, the user's decisions, and every message in order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, get_args

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool

from scanner.commands.journal.deciding import Wish, keep, number
from scanner.commands.trouble import UsageError
from scanner.journal.entries import entry_of
from scanner.journal.stories import is_id, stories
from scanner.page.access.forms import form_of
from scanner.page.answers import go_to, is_own, known, looker, render
from scanner.page.trouble import NO_STORY, NothingHereError
from scanner.page.views.now import orders_of
from scanner.ports import Message
from scanner.present.contract.decision_message import NUMBERS_OF
from scanner.present.reports.journal_html import decision_words, facts_of
from scanner.present.reports.journal_report import BROKEN_WORDS, state_in_words
from scanner.present.words.words import alert
from scanner.store import SeriesKey
from scanner.store.decisions import Decided, refusal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.journal.stories import Story
    from scanner.store import KeptDecision
    from scanner.wording.words import Words

ID_LENGTH = 32


@dataclass(frozen=True, slots=True)
class Item:
    """One message, or one decision, in its place among the others."""

    time: int
    title: str
    words: Words | None = None
    text: str = ""


def story_of(request: Request) -> Story:
    """Find the story that the address names; NothingHereError if there is none."""
    name = request.path_params["story"]
    found = stories(looker(request).store.events.story(name)) if is_id(name) and len(name) == ID_LENGTH else []
    if not found:
        raise NothingHereError(NO_STORY)
    return found[0]


def story(request: Request) -> Response:
    """Show a story."""
    return _page(request, story_of(request))


def _page(
    request: Request, found: Story, typed: Mapping[str, str] | None = None, *, wrong: str = "", status: int = 200
) -> Response:
    """Show a story; ``typed`` is what a refused form contained, so that nothing need be typed again."""
    about, store = known(request), looker(request).store
    decisions = store.decisions.on(found.id)
    entry = entry_of(found, decisions)
    last_bar = store.bars.last_close(SeriesKey(entry.instrument, entry.timeframe))
    # A wrong price or size can be corrected until the next bar.
    open_to = {each.kind for each in decisions if each.kind in {"take", "leave"} and each.bar == last_bar}
    kinds = {each.kind for each in decisions}
    ended = not found.is_open
    waits = found.told is None and not ended
    zone = about.exchange_zone(entry.instrument)
    now = alert(Message(found.last), about.zone, zone)
    return render(
        request,
        "story.html",
        status,
        story=found,
        entry=entry,
        state=state_in_words(entry),
        facts=Markup(facts_of(entry)),  # noqa: S704 - what is not ours in it is escaped there
        broken=[BROKEN_WORDS[kind] for kind in entry.broken],
        orders=orders_of(found, kinds, about),
        wrong_if="" if ended or "leave" in kinds else now.wrong,
        risk=looker(request).risk_of(found.last) if waits else [],
        may=[kind for kind in get_args(Decided) if not refusal(kind, kinds - ({kind} & open_to), ended=ended)],
        numbers=NUMBERS_OF,
        messages=_in_order(found, decisions, about.zone, zone),
        kept=request.query_params.get("kept", "") in get_args(Decided),
        refused=wrong,
        typed=typed or {},
    )


def _in_order(found: Story, decisions: list[KeptDecision], zone: str, exchange_zone: str | None) -> list[Item]:
    """List messages and decisions in the order in which they came, the newest first."""
    listed = []
    for each in found.events:
        event = each.event
        listed.append(Item(event.time, event.facts.counted[0], alert(Message(event), zone, exchange_zone)))
        listed += [
            Item(made.made, decision_words(made), text=made.text) for made in decisions if made.after == each.number
        ]
    return listed[::-1]


async def decide(request: Request) -> Response:
    """Store a decision sent by a form of the page, as the command line does."""
    found = await run_in_threadpool(story_of, request)
    told = await form_of(request)
    if not is_own(request, told):
        return await run_in_threadpool(
            _page,
            request,
            found,
            wrong="This form is from another session; nothing was kept. Send it again.",
            status=403,
        )
    return await run_in_threadpool(_decided, request, found, told)


def _decided(request: Request, found: Story, told: dict[str, str]) -> Response:
    kind = told.get("decision", "")
    if kind not in get_args(Decided):
        return _page(request, found, wrong="This form names no decision; nothing was kept.", status=400)
    decision: Decided = kind  # type: ignore[assignment]  # it is one of them
    try:
        numbers = {name: number(text, name) for name in NUMBERS_OF[decision] if (text := told.get(name, "").strip())}
        keep(looker(request).store, Wish(found.id, decision, text=told.get("text", ""), **numbers), known(request).zone)
    except UsageError as problem:
        return _page(request, found, told, wrong=f"Nothing was kept: {problem}", status=422)
    return go_to(f"/story/{found.id}?kept={kind}#decisions")
