"""Words for a setup that was found, and for one that was withdrawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.event_data import NOT_JUDGED, chosen_entry
from scanner.present.glance.acting import acting, key_figures, sized
from scanner.present.glance.folded import failing, measured_first, rules_in_a_line
from scanner.wording.cautions import SHORT
from scanner.wording.times import moment
from scanner.wording.words import (
    TITLE_LENGTH,
    Line,
    Words,
    compared,
    headline,
    number,
    phrase,
    sentence,
    threshold,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.event_data import Entry, Measure, Place, SetupData, WithdrawnData
    from scanner.ports import Message

PLACES = {"line": "a trend line", "average": "a moving average", "level": "a level", "turn": "a turn"}
"""Where a setup may stand, in words."""
EXITS = {
    "ride": "the position may stay beyond the first cross back of the MACD line, its stop trailed behind swing points",
    "quick": "leave at the open after the MACD line crosses back",
}
LOOK = " No message comes at the close that confirms the entry: look at each close yourself."
STOP_AT_ONCE = "Place the stop together with the entry: a fill is reported only at the close of its bar."
TOO_LATE = "This alert was held up on its way: the moment to act has passed."


def at_place(place: Place | None) -> str:
    """Say where a setup stands, to follow its name; empty if it needs no place."""
    return f" at {PLACES[place]}" if place else ""


def setup_found(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say where to enter, where the idea is wrong, what is at risk, and what speaks against it."""
    data: SetupData = message.event.data
    entry, line = chosen_entry(data), acting(data, user_zone)
    before = ("Too late to act: " if message.late else "") + ("Set aside: " if data["set_aside"] else "")
    about = f" {data['timeframe']} {data['direction']}: "
    at = at_place(data["place"])
    return Words(
        headline=headline(before, data["instrument"], about + line),
        title=headline(before, data["instrument"], f"{about}{phrase(data['title'])}{at}", TITLE_LENGTH),
        news=f"{before}{line}",
        lead=_lead(message, user_zone, exchange_zone),
        against=_against(message),
        figures=key_figures(data, user_zone),
        glance=_glance(data, entry),
        why=_why(data),
        levels=_levels(data, entry),
        wrong=_wrong(data, entry),
        folded=_folded(data),
        record=message.notes.record,
        caution=SHORT,
    )


def _lead(message: Message, user_zone: str, exchange_zone: str | None) -> str:
    """Say what was found, at which places, and when."""
    data: SetupData = message.event.data
    others = [_placed(data, key) for key, found in data["places"].items() if found["verdict"] and key != data["place"]]
    at = f" at {_placed(data, data['place'])}" if data["place"] else ""
    at += f" (also {' and '.join(others)})" if others else ""
    closed = f"{moment(message.event.time, user_zone, exchange_zone)} at {data['close']} {data['currency']}".rstrip()
    late, title = f"{TOO_LATE} " if message.late else "", phrase(data["title"])
    return f"{late}{title[:1].upper()}{title[1:]}{at}. Bar closed {closed}."


def _placed(data: SetupData, place: str) -> str:
    price = data["places"][place]["price"]
    return PLACES[place] + (f" {price}" if price else "")


def _against(message: Message) -> str:
    """Say what speaks against acting on it, and what it adds to the open risk."""
    data: SetupData = message.event.data
    entry = chosen_entry(data)
    against = failing(data["surroundings"])
    no_size = entry["risk"] is not None and not float(entry["size"] or 0)
    alongside = ", ".join(name.replace("_", " ") for name in data["alongside"])
    return " ".join(
        part
        for part in (
            f"Set aside: {sentence(compared(data['set_aside']))}" if data["set_aside"] else "",
            f"What speaks against it: {'; '.join(against)}." if against and not data["set_aside"] else "",
            f"Size {entry['size'] or 'not given'}: {phrase(entry['size_reason'])}." if no_size else "",
            *(f"Caution: {sentence(each)}" for each in data["warnings"]),
            *(sentence(note) for note in message.notes.risk),
            f"At the same bar: {alongside}." if alongside else "",
        )
        if part
    )


def setup_withdrawn(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say that a setup reported earlier no longer holds, or no longer as reported."""
    data: WithdrawnData = message.event.data
    otherwise = data.get("otherwise", False)  # missing in events of earlier releases
    what = "no longer holds as reported" if otherwise else "no longer holds"
    about = f" {data['timeframe']} {data['direction']}"
    return Words(
        headline=headline("Withdrawn: ", data["instrument"], f"{about} {what}"),
        title=headline("Withdrawn: ", data["instrument"], about, TITLE_LENGTH),
        news=f"Withdrawn: it {what}",
        lead=f"{sentence(data['reason'])} The setup was that of the bar that closed "
        f"{moment(message.event.time, user_zone, exchange_zone)}.",
        wrong="It was set aside. If you took it all the same, look at your orders and your stop."
        if data.get("set_aside", False)
        else "If you have acted on it, look at your orders and your stop: they follow the old levels. Another "
        "alert gives the new ones, unless the setup is set aside or has less evidence than you ask for."
        if otherwise
        else "Cancel an entry order that is still in the market. If it was filled, you hold a position that the "
        "rules no longer support.",
        caution=SHORT,
    )


def _glance(data: SetupData, entry: Entry) -> str:
    """Give what one acts on beyond the headline."""
    if entry["risk"] is None:
        return f"Exit: {data['exit_plan']['style']}."
    ahead = f"; obstacle {entry['obstacle']}" if entry["obstacle"] else ""
    return f"Objectives {', '.join(entry['objectives'])}{ahead}. Exit: {data['exit_plan']['style']}."


def _folded(data: SetupData) -> str:
    holding, hold = _holding(data["surroundings"])
    evidence = f"evidence {data['evidence_points']} of {data['evidence_total']}"
    return f"{rules_in_a_line(data['rules'])} Surroundings: {holding} {hold}; {evidence}."


def _holding(around: Mapping[str, Measure]) -> tuple[str, str]:
    """Say how many surroundings hold of those judged, and name the others: they hold only because nothing is known."""
    unknown = [key.replace("_", " ") for key, each in around.items() if each["text"].startswith(NOT_JUDGED)]
    holding = sum(each["verdict"] for each in around.values()) - len(unknown)
    return f"{holding} of {len(around) - len(unknown)}", "hold" + (
        f", not judged: {', '.join(unknown)}" * bool(unknown)
    )


def _levels(data: SetupData, entry: Entry) -> tuple[Line, ...]:
    levels, reasons, style, exit_plan = data["levels"], data["level_reasons"], data["entry_style"], data["exit_plan"]
    lines = [
        Line(f"{style} entry", entry["price"] or "none", phrase(entry["reason"])),
        Line("stop", levels["stop"], phrase(reasons.get("stop", ""))),
    ]
    if entry["risk"] is not None:
        lines += [
            Line("R", entry["risk"], "from the entry to the stop, in price"),
            Line("size", sized(entry["size"]), phrase(entry["size_reason"])),
            *(Line(f"objective {times}R", price) for times, price in enumerate(entry["objectives"], start=1)),
        ]
    room = f"; room {entry['room']} R" if entry["room"] else ""
    lines += [
        Line("obstacle", entry["obstacle"] or "none", phrase(entry["obstacle_text"]) + room),
        *(Line("being broken", phrase(each)) for each in entry["being_broken"]),
        Line("exit", exit_plan["style"], f"{phrase(exit_plan['reason'])}: {EXITS[exit_plan['style']]}"),
    ]
    for other, way in data["entries"].items():
        if other != style:
            cost = "" if way["risk"] is None else f"R {way['risk']}, size {sized(way['size'])}; "
            if way["room"] is not None:
                cost += f"room {way['room']} R; "
            lines.append(Line(f"or {other} entry", way["price"] or "none", cost + phrase(way["reason"])))
    return tuple(lines)


def _why(data: SetupData) -> tuple[Line, ...]:
    """Name every place that holds with its price, every rule, the surroundings and the evidence, with their values."""
    lines = [
        Line(f"at {PLACES[key]}", found["price"] or "-", f"{number(found['measured'])}, {_held_against(found)}")
        for key, found in data["places"].items()
        if found["verdict"]
    ]
    lines += [
        Line(key.replace("_", " "), number(rule["measured"]), _held_against(rule))
        for key, rule in data["rules"].items()
        if key != "place"  # the places are named already
    ]
    lines.append(Line("surroundings", *_holding(data["surroundings"])))
    lines += [_surrounding(key.replace("_", " "), each) for key, each in data["surroundings"].items()]
    points = f"{data['evidence_points']} of {data['evidence_total']}"
    lines.append(Line("evidence", points, "the places count too; + counted, − not; no count predicts anything"))
    lines += [
        Line(
            f"{'+' if point['verdict'] else '−'} {key.replace('_', ' ')}",
            number(point["measured"]),
            _held_against(point),
        )
        for key, point in data["evidence"].items()
        if not key.startswith("place_")
    ]
    return tuple(lines)


def _surrounding(name: str, measure: Measure) -> Line:
    """Give the value of one of the surroundings; a verdict without a scale, such as the trend, has no number."""
    if measure["threshold"] == ">= 0":
        return Line(name, "holds" if measure["verdict"] else "fails", compared(measure["text"]))
    held = _held_against({**measure, "text": measured_first(measure["text"])})
    return Line(name, number(measure["measured"]), held if measure["verdict"] else f"fails, {held}")


def _held_against(measure: Measure) -> str:
    text = compared(measure["text"])
    return text if measure["measured"] is None else f"{threshold(measure['threshold'])}: {text}"


def _wrong(data: SetupData, entry: Entry) -> str:
    stop, beyond = data["levels"]["stop"], "below" if data["direction"] == "long" else "above"
    if entry["risk"] is None:
        return f"Where the idea is wrong: at a close {beyond} {stop}."
    crossed = "once the MACD line crosses back"
    besides = f", {crossed}, or {phrase(data['spoiled_by'])}" if data["spoiled_by"] else f" or {crossed}"
    before = f"before the entry, at a close {beyond} {stop}{besides}"
    void = "".join(f" The entry is {part}." for part in entry["reason"].split("; ") if part.startswith("void "))
    look, size = LOOK if data["entry_style"] == "average" else "", ""
    if data["entry_style"] != "break" and float(entry["size"] or 0):
        size = f" The size is for an entry at {entry['price']}: at an open further from the stop, take less."
    return f"Where the idea is wrong: {before}; after it, at the stop {stop}.{void}{look} {STOP_AT_ONCE}{size}"
