"""``closewatch take``, ``pass``, ``leave`` and ``note``: what the user made of a setup, kept beside the station."""

from __future__ import annotations

import time
from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.trouble import UsageError
from scanner.journal.entries import broken, by_story, entry_of
from scanner.journal.stories import SHORTEST_ID, is_id, short_ids, stories
from scanner.present.journal_report import BROKEN_WORDS, state_in_words
from scanner.present.tables import table
from scanner.present.text import plain
from scanner.present.times import moment
from scanner.service.store import DecisionRefusedError, Store
from scanner.service.store.trouble import StoreReadOnlyError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.commands.which_store import Choice
    from scanner.journal.stories import Story
    from scanner.service.store import Decision
    from scanner.service.store.decisions import Decided

HEADS = ("id", "instrument", "tf", "setup", "side", "bar close", "state")
LONGEST_NAME, LONGEST_TEXT, MOST_LISTED = 40, 2_000, 20
FURTHEST: Mapping[Decided, int] = {"take": 5, "leave": 100}
"""How far from the planned entry a price may lie, in R: no decision can be taken back."""
DONE = {"take": "Taken", "pass": "Passed", "leave": "Left", "note": "Noted"}


def decide(
    choice: Choice, story: str, kind: Decided, *, price: Decimal | None = None, size: Decimal | None = None, text: str
) -> None:
    """Keep a decision on the story that is meant, and say so; UsageError where it cannot be."""
    _check_text(story)
    _check_text(text)
    if kind == "note" and not text.strip():
        raise UsageError("the note is empty; write what is to be kept, in quotes")
    if not choice.store.is_file():
        raise UsageError(f"{choice.store}: there is no store here; name the one that `closewatch watch` fills")
    try:
        with Store.open(choice.store, time.time_ns, visiting=True) as store:
            meant = _meant(store, story, choice.zone)
            about = _about(meant, choice.zone)
            _check_numbers(meant, price, size)
            if price is not None:
                _check_price(meant, kind, price)
            try:
                made = store.decisions.add(meant.id, kind, price=price, size=size, text=text.strip())
            except DecisionRefusedError as problem:
                raise UsageError(f"{about}: {problem}") from None
    except StoreReadOnlyError as problem:
        raise UsageError(str(problem)) from problem
    output.say(*_kept(meant, made, about))


def _check_text(text: str) -> None:
    try:
        text.encode()
    except UnicodeEncodeError:
        raise UsageError(f"{plain(text, LONGEST_NAME)}: this text is not in UTF-8; write it anew") from None
    if len(text) > LONGEST_TEXT:
        raise UsageError(f"the text has {len(text):,} characters; {LONGEST_TEXT:,} are kept at most")


def _check_numbers(story: Story, price: Decimal | None, size: Decimal | None) -> None:
    """Raise UsageError for a size or a price that cannot be; prices below 0 are for what trades there."""
    if size is not None and size <= 0:
        raise UsageError(f"--size {size:f}: a size is above 0, for short as for long")
    data = story.setup
    levels = (data["close"], data["levels"]["stop"], data["entries"][data["entry_style"]]["price"])
    if price is not None and price <= 0 and all(Decimal(each) > 0 for each in levels if each is not None):
        raise UsageError(f"--price {price:f}: the levels of this setup are above 0, so your price is too")


def _check_price(story: Story, kind: Decided, price: Decimal) -> None:
    """Raise UsageError where a price leaves no risk, or lies so far from the plan that it must be a slip."""
    data = story.setup
    stop, sign = Decimal(data["levels"]["stop"]), 1 if data["direction"] == "long" else -1
    if kind == "take" and sign * (price - stop) <= 0:
        where = "above" if sign > 0 else "below"
        raise UsageError(f"--price {price:f}: an entry lies {where} the stop, which is {stop:f}")
    entry = data["entries"][data["entry_style"]]
    if entry["price"] is not None and entry["risk"] is not None:
        away = abs(price - Decimal(entry["price"])) / Decimal(entry["risk"])
        if away > (most := FURTHEST[kind]):
            raise UsageError(
                f"--price {price:f}: that is {away:.0f} R from the planned entry, which is {entry['price']}; "
                f"more than {most} R is taken for a slip"
            )


def _meant(store: Store, name: str, zone: str) -> Story:
    """Find the one story that is meant; UsageError once those that may be are listed."""
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
        output.say(*_listed(store, listed, zone))
        if len(listed) < len(found):
            output.tell(f"These are the last {len(listed):,} of {len(found):,}; `closewatch journal` shows all.")
        what = "has several open setups" if still_open else "begins several ids" if by_id else "has no open setup"
        raise UsageError(f"{shown} {what}: name one by the first letters of its id, such as {listed[-1].id[:8]}")
    if is_id(name.lower()) or len(name) >= SHORTEST_ID:
        raise UsageError(f"{shown}: no setup has an id or an instrument of that name; `closewatch journal` lists all")
    raise UsageError(
        f"{shown}: no instrument of that name has a setup, and an id takes its first {SHORTEST_ID} letters at least; "
        "`closewatch journal` lists all"
    )


def _listed(store: Store, found: Sequence[Story], zone: str) -> list[str]:
    """List stories to choose from, the last of them last."""
    ids = short_ids([each.id for each in found])
    made = by_story(store.decisions.all())
    rows = []
    for each in found:
        entry = entry_of(each, made.get(each.id, []))
        rows.append(
            (
                ids[each.id],
                plain(entry.instrument, LONGEST_NAME),
                entry.timeframe,
                entry.setup,
                entry.direction,
                moment(each.found, zone),
                ", ".join(part for part in (_stands(each, state_in_words(entry)), entry.decision) if part),
            )
        )
    return table(HEADS, rows, left=range(len(HEADS)))


def _stands(story: Story, state: str) -> str:
    return state if state != "-" else "set aside" if story.setup["set_aside"] else "found"


def _about(story: Story, zone: str) -> str:
    data = story.setup
    named = f"{plain(data['instrument'], LONGEST_NAME)} {data['timeframe']}"
    return f"{named} {data['title']} {data['direction']} of {moment(story.found, zone)} ({story.id[:8]})"


def _kept(story: Story, made: Decision, about: str) -> list[str]:
    at = "" if made.price is None else f" at {made.price:f}"
    size = "" if made.size is None else f", size {made.size:f}"
    lines = [f"{DONE[made.kind]}{at}{size}: {about}."]
    lines += [f"Against the rules: {BROKEN_WORDS[kind]}." for kind, _ in broken(story, [made])]
    return lines
