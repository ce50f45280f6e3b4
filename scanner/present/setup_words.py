"""Words for a setup that was found, and for one that was withdrawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.present.cautions import SHORT
from scanner.present.times import moment
from scanner.present.wording import Line, Words, counted, headline, number, phrase, sentence, threshold

if TYPE_CHECKING:
    from scanner.event_data import Entry, Measure, SetupData, WithdrawnData
    from scanner.ports import Message

PLACES = {"line": "a trend line", "average": "a moving average", "level": "a level", "turn": "a turn"}
EXITS = {
    "ride": "the position may stay beyond the first cross back of the MACD line, its stop trailed behind swing points",
    "quick": "leave at the open after the MACD line crosses back",
}
STOP_AT_ONCE = "Place the stop together with the entry: a fill is told only at the close of its bar."
TOO_LATE = "This alert was held up on its way: the moment to act has passed."


def setup_found(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say where to enter, where the idea is wrong, and what is at risk."""
    data: SetupData = message.event.data
    direction, entry = data["direction"], data["entries"][data["entry_style"]]
    late = "Too late to act: " if message.late else ""
    aside = "Set aside: " if data["set_aside"] else ""
    return Words(
        headline=headline(
            lambda named: f"{late}{aside}{named} {data['timeframe']} {direction}: {_in_short(data, entry)}",
            data["instrument"],
        ),
        news=f"{late}{aside}{_in_short(data, entry)}",
        lead=_lead(message, user_zone, exchange_zone),
        orders="" if message.late else _orders(data, entry),
        glance=_glance(data, entry),
        why=_why(data),
        levels=_levels(data, entry),
        wrong=_wrong(data, entry),
        record=message.notes.record,
        caution=SHORT,
    )


def _lead(message: Message, user_zone: str, exchange_zone: str | None) -> str:
    """Say what was found, when, and what speaks against acting on it."""
    data: SetupData = message.event.data
    others = [PLACES[key] for key, found in data["places"].items() if found["verdict"] and key != data["place"]]
    at = f" at {PLACES[data['place']]}" if data["place"] else ""
    at += f" (also {' and '.join(others)})" if others else ""
    closed = f"{moment(message.event.time, user_zone, exchange_zone)} at {data['close']} {data['currency']}".rstrip()
    evidence = f"evidence {data['evidence_points']} of {data['evidence_total']}"
    failing = [name.replace("_", " ") for name, each in data["surroundings"].items() if not each["verdict"]]
    return " ".join(
        part
        for part in (
            TOO_LATE if message.late else "",
            f"A {phrase(data['title'])}{at}, {data['direction']}; {evidence}. Bar closed {closed}.",
            f"Set aside: {sentence(data['set_aside'])}" if data["set_aside"] else "",
            f"Against it: {', '.join(failing)}." if failing and not data["set_aside"] else "",
            *(sentence(note) for note in message.notes.risk),
            *(f"Caution: {sentence(each)}" for each in data["warnings"]),
            f"At the same bar: {', '.join(name.replace('_', ' ') for name in data['alongside'])}."
            if data["alongside"]
            else "",
        )
        if part
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
        news=f"Withdrawn: it {what}",
        lead=f"{sentence(data['reason'])} The setup was that of the bar that closed "
        f"{moment(message.event.time, user_zone, exchange_zone)}.",
        wrong="It was set aside, so there was nothing to act on."
        if data.get("set_aside", False)
        else "If you have acted on it, look at your orders and your stop: they go by what has changed. An alert of its "
        "own says how it stands now, unless it is set aside or its evidence is less than you ask for."
        if otherwise
        else "Cancel an entry order that is still in the market. If it was filled, you hold a position that the rules "
        "no longer speak for.",
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


def _orders(data: SetupData, entry: Entry) -> str:
    """Say which orders its plan comes to; empty where it plans no entry."""
    if entry["risk"] is None:
        return ""
    enter, leave, beyond = ("buy", "sell", "above") if data["direction"] == "long" else ("sell", "buy", "below")
    ways = {
        "early": f"{enter} at the next open",
        "break": f"{enter} stop {entry['price']}, for {counted(data['entry_within'], 'bar')}",
        "average": f"{enter} at the open after a close {beyond} the average, within "
        f"{counted(data['entry_within'], 'bar')}",
    }
    return f"Orders: {ways[data['entry_style']]}; with it, {leave} stop {data['levels']['stop']}."


def _glance(data: SetupData, entry: Entry) -> str:
    """Give what one acts on beyond the headline."""
    obstacle = entry["obstacle"]
    ahead = f"obstacle {obstacle}" if obstacle else "no obstacle ahead"
    if entry["risk"] is None:
        return f"{sentence(entry['reason'])} Exit: {data['exit_plan']['style']}."
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
            Line("R", entry["risk"], "from the entry to the stop, in price"),
            Line("size", _size(entry), phrase(entry["size_reason"])),
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
            cost = "" if way["risk"] is None else f"R {way['risk']}, size {_size(way)}; "
            if way["room"] is not None:
                cost += f"room {way['room']} R; "
            lines.append(Line(f"or {other} entry", way["price"] or "none", cost + phrase(way["reason"])))
    return tuple(lines)


def _why(data: SetupData) -> tuple[Line, ...]:
    """Name every place that holds with its price, every rule, what is around, and the evidence, with their numbers."""
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
    around = data["surroundings"]
    holding = sum(each["verdict"] for each in around.values())
    lines.append(Line("surroundings", f"{holding} of {len(around)}", "hold"))
    lines += [
        Line(
            key.replace("_", " "),
            number(each["measured"]),
            ("" if each["verdict"] else "fails, ") + _held_against(each),
        )
        for key, each in around.items()
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
    besides = f" or {phrase(data['spoiled_by'])}" if data["spoiled_by"] else ""
    before = f"before the entry a close {beyond} {stop}{besides}"
    return f"What would prove it wrong: {before}; after it the stop at {stop}. {STOP_AT_ONCE}"
