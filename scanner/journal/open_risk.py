"""Open risk: what all open positions would lose at their stops, and what one more would bring it to."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.market.digits import grouped
from scanner.market.timeframes import Timeframe

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.journal.stories import Story
    from scanner.service.store import Decision
    from scanner.trade.limits import Limits

SAME_BET_BARS = 3
"""So many bars after a setup another of the same group and side is the same bet."""


@dataclass(frozen=True, slots=True)
class Position:
    """What is at risk in one position: ``r`` in the risk of its fill, ``money`` in the currency of the account.

    ``money`` is None where it is not known. ``name`` says which it is; the rest is what ceilings go by.
    """

    name: str
    group: str
    currency: str
    direction: str
    r: Decimal
    money: Decimal | None


def at_risk(
    story: Story, taken: Sequence[Decision], group: str, point_value: Decimal, rate: Decimal | None
) -> Position | None:
    """Say what is at risk in an open story; None where that is nothing.

    ``taken`` are the decisions to take it: one that waits for its entry counts where there are some. ``rate`` is what a
    unit of its currency is worth in that of the account.
    """
    told, setup = story.told, story.setup
    size: Decimal | None
    if told is not None and told["state"] == "open" and told["risk"] is not None:
        r, risk = max(-Decimal(told["r_at_stop"] or 0), Decimal(0)), Decimal(told["risk"])
        size = None if told["size"] is None else Decimal(told["size"])
    elif taken:
        entry = setup["entries"][setup["entry_style"]]
        if entry["risk"] is None:
            return None
        r, risk, size = Decimal(1), Decimal(entry["risk"]), None if entry["size"] is None else Decimal(entry["size"])
    else:
        return None
    own = next((each.size for each in reversed(taken) if each.size is not None), None)
    size = size if own is None else own
    money = None if size is None or rate is None else r * risk * size * point_value * rate
    if own is not None and (planned := _size(setup)):
        r *= own / planned
    return Position(_name(setup), group, setup["currency"], setup["direction"], r, money)


def candidate(setup: SetupData, group: str, point_value: Decimal, rate: Decimal | None) -> Position | None:
    """Say what taking a setup as planned would put at risk; None where it plans no entry."""
    entry = setup["entries"][setup["entry_style"]]
    if entry["risk"] is None:
        return None
    size = None if entry["size"] is None else Decimal(entry["size"])
    money = None if size is None or rate is None else Decimal(entry["risk"]) * size * point_value * rate
    return Position(_name(setup), group, setup["currency"], setup["direction"], Decimal(1), money)


def with_it(new: Position, held: Sequence[Position], limits: Limits, currency: str) -> list[str]:
    """Say in sentences what a new position would bring the open risk to, and which ceilings that is above.

    ``currency`` is that of the account.
    """
    every = [*held, new]
    total = sum((each.r for each in every), Decimal(0))
    text = f"Taking it would bring the open risk to {total:.2f} R"
    if all(each.money is not None for each in every):
        money = sum((each.money for each in every if each.money is not None), Decimal(0))
        text += f", {grouped(f'{money:.2f}')} {currency}".rstrip()
    text += f", in {len(every)} positions." if held else "; nothing else is open."
    said = [text]
    parts = (
        ("in all", limits.open_risk, every),
        (f"in the group {new.group}", limits.group_risk if new.group else None, _alike(every, "group", new)),
        (f"in {new.currency}", limits.currency_risk if new.currency else None, _alike(every, "currency", new)),
        (new.direction, limits.side_risk, _alike(every, "direction", new)),
    )
    for what, most, of in parts:
        r = sum((each.r for each in of), Decimal(0))
        if most is not None and r > most:
            said.append(f"Caution: that is {r:.2f} R {what}, above the ceiling of {most.normalize():f} R.")
    return said


def same_bets(
    event: Event, stories: Sequence[Story], held: Mapping[str, Position], groups: Mapping[str, str]
) -> list[str]:
    """Name the open positions, and the setups of the last bars, that are of the same group and side as a setup.

    ``held`` are the positions by the id of their story, ``groups`` the groups of instruments by name.
    """
    data: SetupData = event.data
    group, length = groups.get(data["instrument"], ""), Timeframe.named(data["timeframe"]).nanoseconds
    names = []
    for story in stories:
        setup = story.setup
        alike = setup["direction"] == data["direction"] and group and groups.get(setup["instrument"], "") == group
        is_recent = not setup["set_aside"] and 0 <= event.time - story.found <= SAME_BET_BARS * length
        if alike and story.id != event.thread and (story.id in held or is_recent):
            names.append(_name(setup) + (", open" if story.id in held else ""))
    return [f"Same bet as {'; '.join(names)}."] if names else []


def old_rate(currency: str, of: date | None, today: date, days: int) -> list[str]:
    """Say where the rate of a currency is older than so many days."""
    age = None if of is None else (today - of).days
    return [f"Caution: the rate of {currency} is of {of}, {age} days ago."] if age is not None and age > days else []


def _alike(positions: Sequence[Position], what: str, new: Position) -> list[Position]:
    return [each for each in positions if getattr(each, what) == getattr(new, what)]


def _size(setup: SetupData) -> Decimal | None:
    """Give the size that was planned, for 1 R; None where there was none."""
    size = setup["entries"][setup["entry_style"]]["size"]
    return None if size is None else Decimal(size)


def _name(setup: SetupData) -> str:
    return f"{setup['instrument']} {setup['timeframe']} {setup['direction']}"
