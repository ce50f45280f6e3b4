"""Entries of the journal: a setup by the rules, the user's decisions, and the outcome of both."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Literal, get_args

from scanner.event_data import chosen_entry
from scanner.market.price_steps import EXACT
from scanner.wording.times import parse_time

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from scanner.event_data import Direction, State
    from scanner.events import Event
    from scanner.journal.stories import Story
    from scanner.store import KeptDecision

Broken = Literal["set_aside", "beyond_plan", "too_large", "before_exit_signal"]
"""A rule that the user broke: a setup was taken although it was set aside, entered more than a tenth of the planned
risk beyond the plan, taken in more than the planned size, or left before an exit signal."""
BROKEN: tuple[Broken, ...] = get_args(Broken)
BEYOND_PLAN = Decimal("0.1")
"""How much worse than planned an entry may be, in planned R."""
CLOSED: frozenset[str] = frozenset({"stopped", "left", "left_on_pressure"})
"""The states that have a result."""


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One setup. None means unknown or absent.

    Times are nanoseconds since 1970 UTC: ``bar_open`` and ``found`` are the open and the close of the setup's last bar,
    ``decided`` is when it was taken or passed. ``set_aside`` says why it was set aside, and is empty for a qualified
    setup. ``why`` was given with the decision, ``notes`` separately. ``state`` and ``reason`` are those of the story;
    a setup that plans no entry has none.

    ``r`` is the result of the story as it was followed: before costs, in the risk from the followed fill ``entry`` to
    ``first_stop``; ``cost_r`` are the costs in that risk, and ``result`` is the result in money. The station followed
    it by the rules, but by an own fill, size or exit that it received in time. ``own_r`` runs from ``own_price`` to
    ``left_price``, or to the followed ``exit`` if the user did not leave earlier, in the risk from ``own_price`` to
    ``first_stop``; ``own_result`` is for ``own_size``, or the planned size if none was given. If half was closed
    before, the exit is the mean of both prices. ``otherwise_r`` is the result of the opposite decision: ``r`` for what
    was passed, 0 for what was taken.
    """

    id: str
    bar_open: int
    found: int
    instrument: str
    timeframe: str
    setup: str
    title: str
    direction: Direction
    set_aside: str
    currency: str
    decision: Literal["taken", "passed"] | None
    decided: int | None
    why: str
    notes: tuple[str, ...]
    planned_entry: Decimal | None
    entry: Decimal | None
    own_price: Decimal | None
    size: Decimal | None
    own_size: Decimal | None
    first_stop: Decimal
    last_stop: Decimal | None
    exit: Decimal | None
    left_price: Decimal | None
    state: State | Literal["withdrawn"] | None
    reason: str
    r: Decimal | None
    cost_r: Decimal | None
    own_r: Decimal | None
    otherwise_r: Decimal | None
    result: Decimal | None
    own_result: Decimal | None
    bars_held: int | None
    broken: tuple[Broken, ...]

    @property
    def is_closed(self) -> bool:
        """Whether the rules have a result."""
        return self.r is not None


def by_story(decisions: Iterable[KeptDecision]) -> dict[str, list[KeptDecision]]:
    """Group decisions by the id of their story, the oldest first."""
    made: dict[str, list[KeptDecision]] = {}
    for each in decisions:
        made.setdefault(each.thread, []).append(each)
    return made


def entry_of(story: Story, decisions: Sequence[KeptDecision]) -> JournalEntry:
    """Make the entry of a story; ``decisions`` are those on it, oldest first."""
    setup, told = story.setup, story.told
    last = {each.kind: each for each in decisions}
    take, leave = last.get("take"), last.get("leave")
    chosen = take or last.get("pass")
    planned = chosen_entry(setup)
    unheard: Literal["waiting"] | None = None if planned["risk"] is None else "waiting"
    closed = told is not None and told["state"] in CLOSED
    half = None if told is None else _decimal(told["half_exit"])
    first_stop = Decimal(setup["levels"]["stop"] if told is None else told["first_stop"])
    exit_price = _mean(_decimal(told["exit"]), half) if told is not None and closed else None
    sign = 1 if setup["direction"] == "long" else -1
    own_price = None if take is None else take.price
    size, own_size = _decimal(setup["size"]), None if take is None else take.size
    out_at = exit_price if leave is None else _mean(leave.price, half)
    own_r = in_risks(sign, own_price, first_stop, out_at)
    r = _decimal(told["r"]) if told is not None and closed else None
    # If half was closed of a size that has no half, what the user closed is not known.
    unequal = told is not None and closed and half is not None and told["result"] is None
    value = Decimal(told["point_value"]) if told is not None and told["currency"] and not unequal else None
    return JournalEntry(
        id=story.id,
        bar_open=parse_time(setup["bar_open"]),
        found=story.found,
        instrument=setup["instrument"],
        timeframe=setup["timeframe"],
        setup=setup["setup"],
        title=setup["title"],
        direction=setup["direction"],
        set_aside=setup["set_aside"],
        currency=setup["currency"],
        decision=None if chosen is None else "passed" if take is None else "taken",
        decided=None if chosen is None else chosen.made,
        why="" if chosen is None else chosen.text,
        notes=tuple(each.text for each in decisions if each.kind == "note"),
        planned_entry=_decimal(planned["price"] if told is None else told["planned_entry"]),
        entry=None if told is None else _decimal(told["entry"]),
        own_price=own_price,
        size=size,
        own_size=own_size,
        first_stop=first_stop,
        last_stop=None if told is None else Decimal(told["stop"]),
        exit=exit_price,
        left_price=None if leave is None else leave.price,
        state="withdrawn" if story.last.kind == "setup.withdrawn" else told["state"] if told else unheard,
        reason="" if story.last.facts.begins else str(story.last.data["reason"]),
        r=r,
        cost_r=_decimal(told["cost_r"]) if told is not None and closed else None,
        own_r=own_r,
        otherwise_r=r if take is None else None if own_r is None else Decimal("0.00"),
        result=_decimal(told["result"]) if value is not None and told is not None and closed else None,
        own_result=_money(sign, own_price, out_at, own_size or size, value),
        bars_held=None if told is None else told["bars_held"],
        broken=tuple(kind for kind, _ in broken(story, decisions)),
    )


def broken(story: Story, decisions: Sequence[KeptDecision]) -> list[tuple[Broken, KeptDecision]]:
    """Name the rules that the user broke, each with the decision that broke it, as far as they can be judged.

    Of several decisions to take or leave it, the last counts. An exit at the stop or beyond counts as the stop, not as
    leaving before an exit signal. A position that is no longer followed needs no signal.
    """
    found: list[tuple[Broken, KeptDecision]] = []
    for each in {each.kind: each for each in decisions}.values():
        setup = story.setup_at(each.after)
        sign = 1 if setup["direction"] == "long" else -1
        planned = chosen_entry(setup)
        price, risk, size = _decimal(planned["price"]), _decimal(planned["risk"]), _decimal(setup["size"])
        if each.kind == "take":
            if setup["set_aside"]:
                found.append(("set_aside", each))
            if _is_beyond(sign, each.price, price, risk):
                found.append(("beyond_plan", each))
            if each.size is not None and size is not None and each.size > size:
                found.append(("too_large", each))
        elif each.kind == "leave" and not any(map(_may_be_left, story.version_at(each.after))):
            told = story.told_at(each.after)
            stop = Decimal(setup["levels"]["stop"] if told is None else told["stop"])
            if each.price is None or sign * EXACT.subtract(each.price, stop) > 0:
                found.append(("before_exit_signal", each))
    return found


def _may_be_left(event: Event) -> bool:
    """Whether a position may be left after an event: at an exit signal that is not only of half, or at most ends."""
    if event.facts.ends:
        return bool(event.data.get("state") != "stopped")  # one that was withdrawn has no state
    return event.kind == "setup.exit_signal" and "next" in str(event.data["orders"])


def in_risks(sign: int, entry: Decimal | None, stop: Decimal, price: Decimal | None) -> Decimal | None:
    """Give the distance from an entry to a price in the risk from the entry to the stop, to hundredths.

    None if one is unknown, or if the entry lies at the stop or beyond, so that there is no risk to measure in.

    >>> in_risks(-1, Decimal(100), Decimal(102), Decimal("97"))
    Decimal('1.50')
    """
    if entry is None or price is None or sign * EXACT.subtract(entry, stop) <= 0:
        return None
    part = EXACT.divide(sign * EXACT.subtract(price, entry), sign * EXACT.subtract(entry, stop))
    return EXACT.add(EXACT.quantize(part, Decimal("0.01")), 0)  # avoid negative zero


def _is_beyond(sign: int, own: Decimal | None, planned: Decimal | None, risk: Decimal | None) -> bool:
    if own is None or planned is None or risk is None:
        return False
    return sign * EXACT.subtract(own, planned) > EXACT.multiply(BEYOND_PLAN, risk)


def _money(
    sign: int, entry: Decimal | None, price: Decimal | None, size: Decimal | None, point_value: Decimal | None
) -> Decimal | None:
    if entry is None or price is None or size is None or point_value is None:
        return None
    gain = EXACT.multiply(EXACT.multiply(sign * EXACT.subtract(price, entry), size), point_value)
    return EXACT.add(Decimal(f"{gain.normalize(EXACT):f}"), 0)


def _mean(price: Decimal | None, half: Decimal | None) -> Decimal | None:
    """Give the average exit price if the rest was closed at ``price``, and half at ``half`` before, if at all."""
    return price if price is None or half is None else EXACT.divide(EXACT.add(price, half), 2)


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)
