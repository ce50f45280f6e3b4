"""Words for the events of a story: its entry, stops to move, signs of pressure, exit signals, and its end."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from scanner.market.digits import grouped, with_minus
from scanner.present.glance.acting import sized
from scanner.wording.cautions import SHORT
from scanner.wording.times import moment, parse_time
from scanner.wording.words import (
    HEADLINE_LENGTH,
    TITLE_LENGTH,
    Line,
    Words,
    ended,
    headline,
    money,
    name,
    number_of,
    phrase,
    sentence,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from scanner.event_data import StoryData
    from scanner.events import Kind
    from scanner.ports import Message

OR, STOP = "or ", " stop "
"""Words of an order, by which a headline separates what is to be done from what is already in place."""
HELD_UP = "This message was held up on its way."
LEAVING = "If you leave, take your stop and any other order out of the market as well."
TENTH = Decimal("0.1")
WORSE = "The fill is worse than planned: at the stop the same size loses"
STOPPED_AT_ONCE = (
    "Within the bar of an entry the stop counts as reached last, even if it was reached first. "
    "If you are still in, you hold a position that is not followed here."
)
LEFT_AT_ONCE = (
    "You chose to leave by the close of the session, which ended with the bar of the entry: if you are still in, leave."
)
STANDING = "If you have entered all the same, you hold a position that is not followed here."
UNFOLLOWED = (
    "If you hold a position, or have an order in the market, look at it now: "
    "you will get no exit signal and no new stop."
)
LESSER = frozenset({"costs", "R", "half closed at", "signs of pressure", "setup"})
"""The details that are no key figures."""


class _News(NamedTuple):
    """What is new of a story in two or three words, and as headlines, the fullest first; and what else to do."""

    what: str
    ways: Sequence[str]
    besides: str = ""


def _entered(data: StoryData) -> _News:
    """Give the price of the entry, the stop, and the costs."""
    over = "" if data["state"] == "open" else ", over within the same bar"
    entry = f"entered at {data['entry']}"
    stop = f"{entry}{over}, stop {data['stop']}"
    ways = f"{stop}{_sized(data)}, R {data['risk']}", stop
    at_once = LEFT_AT_ONCE if data["state"] == "left" else _stopped_at_once(data)
    return _News("entered", ways, f"{_worse(data)} {at_once}".strip())


def _stop_raised(data: StoryData) -> _News:
    """Say where to move the stop."""
    what, orders = "move the stop", _orders(data)
    now = f"{_remaining(data)}; now {_in_r(data['r'])}, {_in_r(data['r_at_stop'])} at the stop"
    ways = (f"{what}: {orders}{now}", f"{what}: {orders.partition('; ')[0]}", f"{what} to {data['stop']}")
    return _News(what, ways)


def _pressure(data: StoryData) -> _News:
    """Give the signs against staying, and how many of them end a ride."""
    signs, now = f"pressure {_signs(data)}", f"now {_in_r(data['r'])}, stop {data['stop']}"
    ways = (f"{signs}{_because(data, ', ')}; {now}{_remaining(data)}", f"{signs}, {now}")
    return _News(signs, ways)


def _exit_signal(data: StoryData) -> _News:
    """Say that the position is to be left, or may be, and its R so far."""
    signal, now, last = "exit signal", f"now {_in_r(data['r'])}", _orders(data).rpartition("; ")[2]
    if not last or STOP in last:  # no order remains to be done: half of it has been left
        ways = (f"{signal}, {now}{_because(data, ': ')}", f"{signal}, {now}")
        return _News(signal, ways)
    todo = f"you may {last.removeprefix(OR)}" if last.startswith(OR) else last
    ways = (f"{signal}: {todo}{_remaining(data)}; {now}", f"{signal}: {todo}")
    return _News(signal, ways, LEAVING)


def _closed(data: StoryData) -> _News:
    """Give the result, and the exit price."""
    if data["exit"] is None:
        never = "closed without an entry"
        return _News(never, (f"{never}{_because(data, ': ')}", never))
    half = f"half closed at {data['half_exit']}, the rest " if data["half_exit"] else ""
    verb = "stopped" if data["state"] == "stopped" else "left"
    on_pressure = " on pressure" if data["state"] == "left_on_pressure" else ""
    result, left = f"closed {_in_r(data['r'])}", f"{verb} at {data['exit']}{on_pressure}"
    in_money = "" if data["result"] is None else f", {_money(data)} before costs"
    ways = (f"{result}{in_money}: {half}{left}", f"{result}: {half}{left}", f"{result}: {left}")
    return _News(result, ways, _stopped_at_once(data))


def _not_entered(data: StoryData) -> _News:
    """Say that there is no longer an entry, and why."""
    what = f"{data['state']}: {_orders(data) or 'do not enter'}"
    ways = (f"{what}{_because(data, '; ')}", what)
    return _News(data["state"].replace("_", " "), ways, STANDING)


def _broken_off(data: StoryData) -> _News:
    """Say that the story is no longer followed, and ask the user to watch it."""
    what = "no longer followed, look at it yourself"
    where = "never entered" if data["entry"] is None else f"entered at {data['entry']}, stop {data['stop']}"
    return _News("no longer followed", (f"{what}: {where}", what), UNFOLLOWED)


NEWS: Mapping[Kind, Callable[[StoryData], _News]] = {
    "setup.entered": _entered,
    "setup.stop_raised": _stop_raised,
    "setup.pressure": _pressure,
    "setup.exit_signal": _exit_signal,
    "setup.closed": _closed,
    "setup.lapsed": _not_entered,
    "setup.spoiled": _not_entered,
    "setup.broken_off": _broken_off,
}
"""What each kind of event has to tell."""


def of_story(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Tell how a story went on, what to do now, and the figures."""
    data: StoryData = message.event.data
    what, ways, besides = NEWS[message.event.kind](data)
    details = _details(data, user_zone)
    coming = sentence(data["next"])
    if data["state"] == "open" and coming:
        coming = f"Next: {ended(data['next'])}"
    return Words(
        headline=_headline(message, ways),
        title=headline(_before(message), data["instrument"], f"{_about(data)}: {what}", TITLE_LENGTH),
        news=_before(message) + ways[0],
        lead=_lead(message, user_zone, exchange_zone),
        against=" ".join(f"Ahead: {sentence(each)}" for each in data["warnings"]),
        orders=_standing(data),
        figures=_figures(details),
        glance=_glance(data),
        why=tuple(details),
        wrong=" ".join(filter(None, (coming, besides))),
        caution=SHORT,
    )


def _headline(message: Message, ways: Sequence[str]) -> str:
    """Write the first of several headlines that has room for the whole name, else the last."""
    data: StoryData = message.event.data
    begin, after = f"{_before(message)}{name(data['instrument'])}{_about(data)}: ", f"{_about(data)}: "
    way = next((way for way in ways if len(begin + way) <= HEADLINE_LENGTH), ways[-1])
    return headline(_before(message), data["instrument"], after + way)


def _about(data: StoryData) -> str:
    return f" {data['timeframe']} {data['direction']}"


def _sized(data: StoryData) -> str:
    return "" if data["size"] is None else f", size {grouped(data['size'])}"


def _remaining(data: StoryData) -> str:
    """Give the size that is still open."""
    return _sized(data).replace("size", "half of the size") if data["half_exit"] else _sized(data)


def _before(message: Message) -> str:
    return ("Late: " if message.late else "") + ("Set aside: " if message.event.data["set_aside"] else "")


def _lead(message: Message, user_zone: str, exchange_zone: str | None) -> str:
    """Give the reason of the message, its bar, and what comes soon."""
    data: StoryData = message.event.data
    at = f"{moment(message.event.time, user_zone, exchange_zone)} at {data['close']} {data['currency']}".rstrip()
    return " ".join(
        part
        for part in (
            HELD_UP if message.late else "",
            sentence(data["reason"]),
            f"Bar closed {at}.",
            "The setup was set aside." if data["set_aside"] else "",
        )
        if part
    )


def _worse(data: StoryData) -> str:
    """Say how much more than planned the stop loses after a worse fill; empty below a tenth, and once it has moved."""
    more = Decimal(data["risk"] or 0) / Decimal(data["planned_risk"]) - 1
    is_worse = more >= TENTH and data["stop"] == data["first_stop"]
    return f"{WORSE} {more:.0%} more.".replace("%", " %") if is_worse else ""


def _stopped_at_once(data: StoryData) -> str:
    """Say what it means if the bar of the entry may have reached the stop before; empty if it did not."""
    at_once = data["exit"] is not None and not data["bars_held"]
    # A worse fill is that of the open, and so is any but that of an order: then the entry came first.
    within = data["entry_style"] == "break" and data["entry"] == data["planned_entry"]
    above = Decimal(data["close"]) - Decimal(data["stop"])
    beyond = above <= 0 if data["direction"] == "long" else above >= 0
    return STOPPED_AT_ONCE if at_once and within and not beyond else ""


def _standing(data: StoryData) -> str:
    """Say which orders should be in the market now."""
    if data["orders"]:
        return f"Orders now: {ended(data['orders'])}"
    if data["state"] == "open":
        return "No orders."
    if data["state"] == "broken_off":
        return "No orders from here: those in the market are yours to look after."
    if _stopped_at_once(data):
        return "No orders, unless you are still in: then keep your stop."
    return f"No orders: take out any {'to enter ' if data['entry'] is None else ''}that are still in the market."


def _because(data: StoryData, link: str) -> str:
    """Make the reason continue a headline."""
    reason = phrase(data["reason"])
    return reason and f"{link}{reason}"


def _orders(data: StoryData) -> str:
    return phrase(data["orders"])


def _glance(data: StoryData) -> str:
    """Give the important details."""
    numbers = [f"{what} {value}" for what, value, _ in _in_risks(data)]
    if data["result"] is not None:
        numbers.insert(1, _money(data))
    if data["entry"] is None:
        numbers.append(f"{number_of(data['bars_waited'], 'bar')} waited")
    else:
        numbers.append(f"{number_of(data['bars_held'], 'bar')} held")
    if _may_be_pressed(data):
        numbers.append(f"pressure {_signs(data)}")
    return sentence(", ".join(numbers))


def _in_risks(data: StoryData) -> list[tuple[str, str, str]]:
    """Name the figures known in R, with their values and notes."""
    is_result = data["exit"] is not None
    found = [
        ("result" if is_result else "now", data["r"], "before costs" if is_result else f"at the close {data['close']}"),
        ("at the stop", data["r_at_stop"], f"before costs, at {data['stop']}"),
        ("best", data["best_r"], "furthest in its favour"),
        ("worst", data["worst_r"], "furthest against it"),
    ]
    wanted = found[1:] if data["state"] == "broken_off" else found
    return [(what, _in_r(value), note) for what, value, note in wanted if value is not None]


def _figures(details: Sequence[Line]) -> tuple[Line, ...]:
    """Give the key figures of the details: the state of the story, and the position."""
    renamed = {"in money": "in money, before costs"}
    return tuple(Line(renamed.get(line.name, line.name), line.value) for line in details if line.name not in LESSER)


def _details(data: StoryData, user_zone: str) -> list[Line]:
    lines = [Line(*each) for each in _in_risks(data)]
    if data["result"] is not None:
        lines.append(Line("in money", _money(data), f"before costs, for the size {sized(data['size'])}"))
    if data["cost_r"] is not None:
        lines.append(Line("costs", f"{data['cost_r']} R", "of both ways"))
    if data["entry"] is None:
        planned = f"{data['entry_style']} entry, R {data['planned_risk']}"
        lines.append(Line("planned entry", data["planned_entry"], planned))
    else:
        risk = f"from the entry to the first stop; {_planned(data['risk'], data['planned_risk'])}"
        lines.append(Line("entry", data["entry"], _planned(data["entry"], data["planned_entry"])))
        lines.append(Line("R", data["risk"] or "-", risk))
    first = "not moved" if data["stop"] == data["first_stop"] else f"at first {data['first_stop']}"
    lines.append(Line("stop", data["stop"], first))
    if data["half_exit"] is not None:
        lines.append(Line("half closed at", data["half_exit"]))
    if data["exit"] is not None:
        lines.append(Line("left at", data["exit"]))
    lines.append(Line("size", sized(data["size"])))
    waited = grouped(data["bars_waited"])
    if data["entry"] is None:
        lines.append(Line("bars waited", waited))
    else:
        after = f"after {waited} waited" if data["bars_waited"] else ""
        lines.append(Line("bars held", grouped(data["bars_held"]), after))
    if _may_be_pressed(data):
        lines.append(Line("signs of pressure", _signs(data), "; ".join(map(phrase, data["pressure"]))))
    close = moment(parse_time(data["setup_close"]), user_zone)
    found = f"closed {close}, {number_of(data['evidence_points'], 'point')} of evidence"
    lines.append(Line("setup", phrase(data["title"]), found))
    return lines


def _planned(real: str | None, planned: str) -> str:
    return "as planned" if real == planned else f"planned {planned}"


def _may_be_pressed(data: StoryData) -> bool:
    return data["exit_style"] == "ride" and data["entry"] is not None


def _signs(data: StoryData) -> str:
    signs, needed = len(data["pressure"]), data["pressure_needed"]
    return f"{signs} of {needed}" if signs <= needed else f"{signs}, where {needed} end it"


def _in_r(value: str | None) -> str:
    return "R not known" if value is None else f"{with_minus(value) if value.startswith('-') else f'+{value}'} R"


def _money(data: StoryData) -> str:
    return f"{with_minus(grouped(money(Decimal(data['result'] or 0))))} {data['currency']}".rstrip()
