"""The journal as one page: without scripts, and nothing is fetched from elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from html import escape
from typing import TYPE_CHECKING

from scanner.event_data import chosen_entry
from scanner.market.digits import grouped, with_minus
from scanner.present.glance.acting import with_arrow
from scanner.present.reports.journal_report import BROKEN_WORDS, LEGEND, bar_of, in_money, price, signed, state_in_words
from scanner.present.reports.page_html import closed_page, facts, picture
from scanner.wording.cautions import FULL
from scanner.wording.text import plain
from scanner.wording.times import moment
from scanner.wording.words import counted, ended, name, phrase, sentence

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.event_data import SetupData, StoryData
    from scanner.events import Event
    from scanner.journal.entries import JournalEntry
    from scanner.journal.stories import Story
    from scanner.store import KeptDecision

NOTE_LENGTH = 2_000
STYLE = """
header, article, footer { max-width: 900px; margin: 0 auto 14px; }
header, footer { padding: 0 10px; }
ol { margin: 6px 0 0; padding: 0; list-style: none; }
li { padding: 7px 0; border-top: 1px solid var(--line); }
li p { margin: 0; }
li.own { margin: 0 -8px; padding: 7px 8px; background: var(--own); border-radius: 4px; }
img { max-width: 560px; margin: 12px auto 4px; }
"""
DECIDED = {"take": "you took it", "pass": "you passed", "leave": "you left", "note": "your note"}


@dataclass(frozen=True, slots=True)
class Told:
    """One story to show: its events, the decisions on it, and its journal entry.

    ``charts`` are PNGs, each with a description.
    """

    story: Story
    decisions: Sequence[KeptDecision]
    entry: JournalEntry
    charts: tuple[tuple[str, bytes], ...] = ()


def page(title: str, told: Sequence[Told], zone: str, ids: Mapping[str, str]) -> str:
    """Write the page; ``ids`` are the beginnings of the stories' ids."""
    articles = "\n".join(_article(each, zone, ids[each.story.id]) for each in told)
    inner = (
        f'<header><h1>{escape(title)}</h1><p class="pale">{escape(counted(len(told), "setup"))}. '
        f"{escape(' '.join(LEGEND))}</p></header>\n"
        f"<main>\n{articles}\n</main>\n<footer><p>{escape(FULL)}</p></footer>"
    )
    return closed_page(title, STYLE, inner)


def _article(told: Told, zone: str, short: str) -> str:
    entry = told.entry
    parts = [
        f"<h2>{escape(name(entry.instrument))} {escape(entry.timeframe)} {with_arrow(entry.direction)}</h2>",
        f'<p class="pale">{escape(phrase(entry.title))} at {escape(bar_of(entry, zone))}, id {escape(short)}</p>',
        f"<p>{escape(_decided(entry))}</p>",
        *(f'<p class="wrong">Against the rules: {BROKEN_WORDS[kind]}.</p>' for kind in entry.broken),
        *(
            picture(drawn, f"Chart of {name(entry.instrument)} {shows}; its levels are in the text")
            for shows, drawn in told.charts
        ),
        facts_of(entry),
        "<h3>In order</h3>",
        f"<ol>{_messages(told, zone)}</ol>",
    ]
    return f'<article class="card" id="{escape(entry.id)}">' + "\n".join(part for part in parts if part) + "</article>"


def _decided(entry: JournalEntry) -> str:
    decided = {"taken": "Taken.", "passed": "Passed.", None: "Neither taken nor passed."}[entry.decision]
    return decided + (f" It was set aside: {sentence(entry.set_aside)}" if entry.set_aside else "")


def facts_of(entry: JournalEntry) -> str:
    """List the facts of a setup and its outcome, as HTML."""
    known = [
        ("state", state_in_words(entry)),
        ("R", signed(entry.r)),
        ("your R", signed(entry.own_r)),
        ("had you passed" if entry.decision == "taken" else "had you taken it", signed(entry.otherwise_r)),
        ("planned entry", price(entry.planned_entry)),
        ("filled at", price(entry.entry)),
        ("your price", price(entry.own_price)),
        ("first stop", price(entry.first_stop)),
        ("last stop", price(entry.last_stop)),
        ("exit", price(entry.exit)),
        ("you left at", price(entry.left_price)),
        ("planned size", grouped(price(entry.size))),
        ("your size", grouped(price(entry.own_size))),
        ("costs in R", price(entry.cost_r)),
        (f"result {entry.currency}", in_money(entry.result)),
        (f"your result {entry.currency}", in_money(entry.own_result)),
        ("bars held", "-" if entry.bars_held is None else f"{entry.bars_held:,}"),
    ]
    return facts((key, with_minus(value)) for key, value in known if value != "-")


def _messages(told: Told, zone: str) -> str:
    """List events and decisions in their order."""
    shown = []
    for each in told.story.events:
        shown.append(_message(each.event, zone))
        shown += [_decision(decision, zone) for decision in told.decisions if decision.after == each.number]
    return "\n".join(shown)


def _message(event: Event, zone: str) -> str:
    what, when = event.facts.counted[0], moment(event.time, zone)
    return f'<li><p class="pale">{escape(when)}</p><p><b>{escape(what)}</b>: {escape(_said(event))}</p></li>'


def _said(event: Event) -> str:
    """Give the message of an event in short."""
    if event.facts.begins:
        return _setup(event.data)
    if event.kind == "setup.withdrawn":
        return ended(event.data["reason"])
    return _story(event.data)


def _setup(data: SetupData) -> str:
    entry = chosen_entry(data)
    planned = f"{data['entry_style']} entry {entry['price'] or 'none'}, stop {data['levels']['stop']}"
    risk = "" if entry["risk"] is None else f", R {entry['risk']}"
    aside = f" {sentence(data['set_aside'])}" if data["set_aside"] else ""
    return f"{planned}{risk}; evidence {data['evidence_points']} of {data['evidence_total']}.{aside}"


def _story(data: StoryData) -> str:
    numbers = [
        f"{words} {signed(Decimal(value))}"
        for words, value in (
            ("result" if data["exit"] is not None else "now", data["r"]),
            ("at the stop", data["r_at_stop"]),
            ("best", data["best_r"]),
            ("worst", data["worst_r"]),
        )
        if value is not None
    ]
    parts = [ended(data["reason"])]
    parts += [f"Orders: {ended(data['orders'])}"] if data["orders"] else []
    parts += [f"In R: {', '.join(numbers)}."] if numbers else []
    return " ".join(parts)


def decision_words(decision: KeptDecision) -> str:
    """Give a decision, with the user's own price and size."""
    at = f" at {decision.price:f}" if decision.price is not None else ""
    size = f", size {decision.size:f}" if decision.size is not None else ""
    return DECIDED[decision.kind] + at + size


def _decision(decision: KeptDecision, zone: str) -> str:
    text = f": {plain(decision.text, NOTE_LENGTH)}" if decision.text else ""
    what = f"<b>{escape(decision_words(decision))}</b>{escape(text)}"
    return f'<li class="own"><p class="pale">{escape(moment(decision.made, zone))}</p><p>{what}</p></li>'
