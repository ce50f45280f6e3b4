"""Words for a setup that was found, and for one that was withdrawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.present.cautions import SHORT
from scanner.present.times import moment
from scanner.present.wording import Line, Words, headline, number, phrase, sentence, threshold

if TYPE_CHECKING:
    from scanner.events import Entry, Measure, SetupData, WithdrawnData
    from scanner.ports import Message

PLACES = {"line": "a trend line", "average": "a moving average", "level": "a level", "turn": "a turn"}
EXITS = {
    "ride": "the position may stay beyond the first cross back of the MACD line, its stop moved along behind it",
    "quick": "leave at the open after the MACD line crosses back",
}
TOO_LATE = "This alert was held up on its way: the moment to act has passed."


def setup_found(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say where to enter, where the idea is wrong, and what is at risk."""
    data: SetupData = message.event.data
    direction, entry = data["direction"], data["entries"][data["entry_style"]]
    late = "Too late to act: " if message.late else ""
    others = [PLACES[key] for key, found in data["places"].items() if found["verdict"] and key != data["place"]]
    also = f" (also {' and '.join(others)})" if others else ""
    lead = (
        f"A {data['setup'].replace('_', ' ')} at {PLACES[data['place']]}{also}, {direction}; "
        f"evidence {data['evidence_points']} of {data['evidence_total']}. Bar closed "
        f"{moment(message.event.time, user_zone, exchange_zone)} at {data['close']} {data['currency']}".rstrip()
        + "."
    )
    return Words(
        headline=headline(
            lambda named: f"{late}{named} {data['timeframe']} {direction}: {_in_short(data, entry)}",
            data["instrument"],
        ),
        lead=f"{TOO_LATE} {lead}" if message.late else lead,
        glance=_glance(data, entry),
        why=_why(data),
        levels=_levels(data, entry),
        wrong=_wrong(data, entry),
        caution=SHORT,
    )


def setup_withdrawn(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say that a setup said earlier does not stand any longer, or not as it was said."""
    data: WithdrawnData = message.event.data
    otherwise = data.get("otherwise", False)  # which events of earlier releases do not tell
    what = "does not stand as it was said" if otherwise else "no longer stands"
    return Words(
        headline=headline(
            lambda named: f"Withdrawn: {named} {data['timeframe']} {data['direction']} {what}",
            data["instrument"],
        ),
        lead=f"{sentence(data['reason'])} The setup was that of the bar that closed "
        f"{moment(message.event.time, user_zone, exchange_zone)}.",
        wrong="Whoever has acted on it goes by what has changed. An alert of its own says how it stands now, unless "
        "its evidence is less than you ask for."
        if otherwise
        else "Whoever has acted on it holds a position that the rules no longer speak for.",
        caution=SHORT,
    )


def _in_short(data: SetupData, entry: Entry) -> str:
    style, stop = data["entry_style"], data["levels"]["stop"]
    if entry["price"] is None:
        return f"no {style} entry, stop {stop}"
    if entry["risk"] is None:
        return f"not plannable, {style} entry {entry['price']}, stop {stop}"
    return f"{style} entry {entry['price']}, stop {stop}, R {entry['risk']}"


def _size(entry: Entry) -> str:
    return entry["size"] or "not given"


def _glance(data: SetupData, entry: Entry) -> str:
    """Give what one acts on beyond the headline."""
    obstacle = data["levels"]["obstacle"]
    ahead = f"obstacle {obstacle}" if obstacle else "no obstacle ahead"
    if entry["risk"] is None:
        return f"{sentence(entry['reason'])} {ahead.capitalize()}. Exit: {data['exit_plan']['style']}."
    room = f", room {entry['room']} R" if entry["room"] else ""
    size = f"Size {_size(entry)}" + ("" if float(entry["size"] or 0) else f", {phrase(entry['size_reason'])}")
    return f"{size}. Objectives {', '.join(entry['objectives'])}; {ahead}{room}. Exit: {data['exit_plan']['style']}."


def _levels(data: SetupData, entry: Entry) -> tuple[Line, ...]:
    levels, reasons, style, exit_plan = data["levels"], data["level_reasons"], data["entry_style"], data["exit_plan"]
    lines = [
        Line(f"{style} entry", entry["price"] or "none", phrase(entry["reason"])),
        Line("stop", levels["stop"], phrase(reasons.get("stop", ""))),
    ]
    if entry["risk"] is not None:
        lines += [
            Line("R", entry["risk"], "what the stop costs, in price"),
            Line("size", _size(entry), phrase(entry["size_reason"])),
            *(Line(f"objective {times}R", price) for times, price in enumerate(entry["objectives"], start=1)),
        ]
    room = f"; room {entry['room']} R" if entry["room"] else ""
    lines += [
        Line("obstacle", levels["obstacle"] or "none", phrase(reasons.get("obstacle", "")) + room),
        Line("exit", exit_plan["style"], f"{phrase(exit_plan['reason'])}: {EXITS[exit_plan['style']]}"),
    ]
    for other, way in data["entries"].items():
        if other != style:
            cost = "" if way["risk"] is None else f"R {way['risk']}, size {_size(way)}; "
            lines.append(Line(f"or {other} entry", way["price"] or "none", cost + phrase(way["reason"])))
    return tuple(lines)


def _why(data: SetupData) -> tuple[Line, ...]:
    """Name every place that holds with its price, every rule, and every point of evidence, with their numbers."""
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
    points = f"{data['evidence_points']} of {data['evidence_total']}"
    lines.append(Line("evidence", points, "the places count too; + speaks for it, − does not"))
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


def _held_against(measure: Measure) -> str:
    return f"{threshold(measure['threshold'])}: {phrase(measure['text'])}"


def _wrong(data: SetupData, entry: Entry) -> str:
    stop, beyond = data["levels"]["stop"], "below" if data["direction"] == "long" else "above"
    if entry["risk"] is None:
        return f"What would prove it wrong: a close {beyond} {stop}."
    return f"What would prove it wrong: a close {beyond} {stop} before the entry, the stop at {stop} after it."
