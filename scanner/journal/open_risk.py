"""Open risk: what all open positions would lose at their stops, with and without one more."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.event_data import chosen_entry
from scanner.market.digits import grouped

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.journal.stories import Story
    from scanner.market.sessions.timetables import Timetable
    from scanner.store import KeptDecision
    from scanner.trade.limits import Limits

SAME_BET_BARS = 3
"""Within this many bars of a setup, another of the same instrument or group and side is the same bet."""


@dataclass(frozen=True, slots=True)
class Position:
    """The risk of one position: ``r`` in its planned risk, for which it was sized, ``money`` in the account's currency.

    ``money`` is None if unknown. ``name`` identifies it; the ceilings use the rest.
    """

    name: str
    group: str
    currency: str
    direction: str
    r: Decimal
    money: Decimal | None


def at_risk(
    story: Story, taken: Sequence[KeptDecision], group: str, point_value: Decimal, rate: Decimal | None
) -> Position | None:
    """Give the risk of an open story; None if there is none.

    ``taken`` are the decisions to take it: a story waiting for its entry counts only if there are some. ``rate`` is the
    value of a unit of its currency in that of the account.
    """
    told, setup = story.told, story.setup
    size: Decimal | None
    planned = chosen_entry(setup)
    if planned["risk"] is None:
        return None
    if told is not None and told["state"] == "open" and told["risk"] is not None:
        r, risk = -Decimal(told["r_at_stop"] or 0), Decimal(told["risk"])
        if told["half_exit"] is not None and told["entry"] is not None:
            # The gain of the half that was closed does not make up for what the other half would lose.
            gain = (Decimal(told["half_exit"]) - Decimal(told["entry"])) / risk
            r += (gain if setup["direction"] == "long" else -gain) / 2
        r = max(r, Decimal(0))
        size = None if told["size"] is None else Decimal(told["size"])
    elif taken:
        r, risk, size = Decimal(1), Decimal(planned["risk"]), _size(setup)
    else:
        return None
    own = next((each.size for each in reversed(taken) if each.size is not None), None)
    size = size if own is None else own
    money = None if size is None or rate is None else r * risk * size * point_value * rate
    r *= risk / Decimal(planned["risk"])
    if own is not None and (whole := _size(setup)):
        r *= own / whole
    return Position(_name(setup), group, setup["currency"], setup["direction"], r, money)


def candidate(setup: SetupData, group: str, point_value: Decimal, rate: Decimal | None) -> Position | None:
    """Give the risk of a setup taken as planned; None if it plans no entry."""
    risk, size = chosen_entry(setup)["risk"], _size(setup)
    if risk is None:
        return None
    money = None if size is None or rate is None else Decimal(risk) * size * point_value * rate
    return Position(_name(setup), group, setup["currency"], setup["direction"], Decimal(1), money)


def with_it(new: Position, held: Sequence[Position], limits: Limits, currency: str) -> list[str]:
    """Say in sentences what the open risk would be with a new position, and which ceilings that exceeds.

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
    event: Event,
    stories: Sequence[Story],
    held: Mapping[str, Position],
    groups: Mapping[str, str],
    timetable: Timetable,
) -> list[str]:
    """Name the open positions, and the setups of the last bars, of a setup's instrument or group on the same side.

    ``held`` are the positions by the id of their story, ``groups`` the groups of instruments by name, ``timetable`` has
    the setup's bars.
    """
    data: SetupData = event.data
    group, since, names = groups.get(data["instrument"], ""), event.time, []
    for _ in range(SAME_BET_BARS):
        since = timetable.last_close(since - 1)
    # Where the sessions are unknown, bars need not begin at a whole multiple of their length.
    since = min(since, event.time - SAME_BET_BARS * timetable.timeframe.nanoseconds)
    for story in stories:
        setup = story.setup
        related = setup["instrument"] == data["instrument"] or (group and groups.get(setup["instrument"], "") == group)
        alike = related and setup["direction"] == data["direction"]
        is_recent = not setup["set_aside"] and since <= story.found <= event.time
        if alike and story.id != event.thread and (story.id in held or is_recent):
            names.append(_name(setup) + (", open" if story.id in held else ""))
    return [f"Same bet as {'; '.join(names)}."] if names else []


def old_rate(currency: str, of: date | None, today: date, days: int) -> list[str]:
    """Warn if the rate of a currency is older than a number of days."""
    age = None if of is None else (today - of).days
    return [f"Caution: the rate of {currency} is of {of}, {age} days ago."] if age is not None and age > days else []


def _alike(positions: Sequence[Position], what: str, new: Position) -> list[Position]:
    return [each for each in positions if getattr(each, what) == getattr(new, what)]


def _size(setup: SetupData) -> Decimal | None:
    """Give the planned size, for 1 R; None if there was none."""
    size = chosen_entry(setup)["size"]
    return None if size is None else Decimal(size)


def _name(setup: SetupData) -> str:
    return f"{setup['instrument']} {setup['timeframe']} {setup['direction']}"
