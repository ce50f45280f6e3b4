"""One decision on a setup: find its story, check the decision, record it in the store.

The command line and messages share this code.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from scanner.commands.trouble import UsageError
from scanner.event_data import chosen_entry
from scanner.journal.entries import broken, by_story, entry_of
from scanner.journal.stories import SHORTEST_ID, is_id, short_ids, stories
from scanner.present.reports.journal_report import BROKEN_WORDS, state_in_words
from scanner.store import DecisionRefusedError
from scanner.wording.tables import table
from scanner.wording.text import plain
from scanner.wording.times import moment

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.journal.stories import Story
    from scanner.store import KeptDecision, Store
    from scanner.store.decisions import Decided

HEADS = ("id", "instrument", "tf", "setup", "side", "bar close", "state")
LONGEST_NAME, LONGEST_TEXT, MOST_LISTED = 40, 2_000, 20
LARGEST_EXPONENT, MOST_DIGITS = 15, 15
"""Most digits of a number: a binary number holds that many exactly, as the engine needs."""
FURTHEST: Mapping[Decided, int] = {"take": 5, "leave": 100}
"""How far from the planned entry a price may lie, in R, since no decision can be undone."""
DONE = {"take": "Taken", "pass": "Passed", "leave": "Left", "note": "Noted"}


@dataclass(frozen=True, slots=True)
class Wish:
    """What the user decides: ``story`` names the setup, ``text`` is the reason or the note, empty without one."""

    story: str
    kind: Decided
    price: Decimal | None = None
    size: Decimal | None = None
    text: str = ""


class SeveralFitError(UsageError):
    """Several stories match; they are ``listed`` to choose from."""

    def __init__(self, message: str, listed: Sequence[str]) -> None:
        super().__init__(message)
        self.listed = listed


def number(text: str, name: str) -> Decimal:
    """Read a number exactly as written; a UsageError calls it ``name``."""
    try:
        value = Decimal(text)
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or abs(value.adjusted()) > LARGEST_EXPONENT:
        raise UsageError(f"{name} {plain(text, LONGEST_NAME)}: write a number such as 101.40")
    if len(value.normalize().as_tuple().digits) > MOST_DIGITS:
        raise UsageError(f"{name} {plain(text, LONGEST_NAME)}: a number has at most {MOST_DIGITS} digits")
    return value


def keep(store: Store, wish: Wish, zone: str) -> tuple[KeptDecision, list[str]]:
    """Record a decision on a story; return it, and lines that say so with times in ``zone``.

    UsageError if it cannot be recorded; then nothing is.
    """
    _check_text(wish.story)
    _check_text(wish.text)
    if wish.kind == "note" and not wish.text.strip():
        raise UsageError("the note is empty; write its text")
    meant = _meant(store, wish.story, zone)
    about = _about(meant, zone)
    _check_numbers(meant, wish.price, wish.size)
    if wish.price is not None:
        _check_price(meant, wish.kind, wish.price)
    # Read now: once the decision is kept, it must be confirmed even if nothing can be read any more.
    before = store.decisions.on(meant.id)
    try:
        made = store.decisions.add(meant.id, wish.kind, price=wish.price, size=wish.size, text=wish.text.strip())
    except DecisionRefusedError as problem:
        raise UsageError(f"{about}: {problem}") from None
    return made, _kept(meant, made, before, about)


def _check_text(text: str) -> None:
    try:
        text.encode()
    except UnicodeEncodeError:
        raise UsageError(f"{plain(text, LONGEST_NAME)}: this text is not UTF-8; write it again") from None
    if len(text) > LONGEST_TEXT:
        raise UsageError(f"the text has {len(text):,} characters; at most {LONGEST_TEXT:,} are kept")


def _check_numbers(story: Story, price: Decimal | None, size: Decimal | None) -> None:
    """Raise UsageError for an impossible size or price; a price may be below 0 only if the setup's levels are."""
    if size is not None and size <= 0:
        raise UsageError(f"size {size:f}: a size must be above 0, for shorts too")
    data = story.setup
    levels = (data["close"], data["levels"]["stop"], chosen_entry(data)["price"])
    if price is not None and price <= 0 and all(Decimal(each) > 0 for each in levels if each is not None):
        raise UsageError(f"price {price:f}: the levels of this setup are above 0, so your price must be too")


def _check_price(story: Story, kind: Decided, price: Decimal) -> None:
    """Raise UsageError if a price leaves no risk, or lies so far from the plan that it must be a typing error."""
    data = story.setup
    stop, sign = Decimal(data["levels"]["stop"]), 1 if data["direction"] == "long" else -1
    if kind == "take" and sign * (price - stop) <= 0:
        where = "above" if sign > 0 else "below"
        raise UsageError(f"price {price:f}: an entry must lie {where} the stop, which is {stop:f}")
    entry = chosen_entry(data)
    if entry["price"] is not None and entry["risk"] is not None:
        away = abs(price - Decimal(entry["price"])) / Decimal(entry["risk"])
        if away > (most := FURTHEST[kind]):
            raise UsageError(
                f"price {price:f}: that is {away:.0f} R from the planned entry, which is {entry['price']}; "
                f"more than {most} R is taken for a typing error"
            )


def _meant(store: Store, name: str, zone: str) -> Story:
    """Find the one story that a name means; UsageError if not exactly one matches."""
    named = [each for each in stories(store.events.stories(instrument=name)) if each.setup["instrument"] == name]
    still_open = [each for each in named if each.is_open]
    if len(still_open) == 1:
        return still_open[0]
    by_id = stories(store.events.stories(begins=name.lower())) if is_id(name.lower()) else []
    if len(by_id) == 1:
        return by_id[0]
    shown = plain(name, LONGEST_NAME)
    if found := still_open or by_id or named:
        listed = found[-MOST_LISTED:]
        lines = _listed(store, listed, zone)
        if len(listed) < len(found):
            lines.append(f"These are the last {len(listed):,} of {len(found):,}; `closewatch journal` shows all.")
        what = "has several open setups" if still_open else "matches several ids" if by_id else "has no open setup"
        sentence = f"{shown} {what}: name one by the first letters of its id, such as {listed[-1].id[:8]}"
        raise SeveralFitError(sentence, lines)
    if is_id(name.lower()) or len(name) >= SHORTEST_ID:
        raise UsageError(f"{shown}: no setup has this id or instrument; `closewatch journal` lists all")
    raise UsageError(
        f"{shown}: no setup has this instrument, and an id needs at least its first {SHORTEST_ID} letters; `closewatch "
        "journal` lists all"
    )


def _listed(store: Store, found: Sequence[Story], zone: str) -> list[str]:
    ids = short_ids([each.id for each in found])
    made = by_story(store.decisions.all())
    rows = []
    for each in found:
        entry = entry_of(each, made.get(each.id, []))
        state = state_in_words(entry)
        rows.append(
            (
                ids[each.id],
                plain(entry.instrument, LONGEST_NAME),
                entry.timeframe,
                entry.setup,
                entry.direction,
                moment(each.found, zone),
                f"{state}, {entry.decision}" if entry.decision else state,
            )
        )
    return table(HEADS, rows, left=range(len(HEADS)))


def _about(story: Story, zone: str) -> str:
    data = story.setup
    named = f"{plain(data['instrument'], LONGEST_NAME)} {data['timeframe']}"
    return f"{named} {data['title']} {data['direction']} of {moment(story.found, zone)} ({story.id[:8]})"


def _kept(story: Story, made: KeptDecision, before: Sequence[KeptDecision], about: str) -> list[str]:
    at = "" if made.price is None else f" at {made.price:f}"
    size = "" if made.size is None else f", size {made.size:f}"
    lines = [f"{DONE[made.kind]}{at}{size}: {about}."]
    if any(each.kind == made.kind != "note" for each in before):
        lines.append("This replaces your earlier decision, which stays in the journal.")
    lines += [f"Against the rules: {BROKEN_WORDS[kind]}." for kind, _ in broken(story, [made])]
    if made.kind == "leave" and made.price is not None and story.last.kind == "setup.broken_off":
        lines.append(
            f"Its story was broken off, and your R is measured with its stop, {story.last.data['first_stop']}. If that "
            "was for a split, give your price in that of before it: leave it again."
        )
    return lines
