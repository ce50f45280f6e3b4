"""The one line of a setup to act on; whatever shows a setup in a line uses it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.event_data import chosen_entry
from scanner.market.digits import grouped
from scanner.wording.times import day_and_time
from scanner.wording.words import Line, number_of, phrase

if TYPE_CHECKING:
    from scanner.event_data import Entry, SetupData

NEXT_OPEN = "for the next open only"
NO_OBSTACLE = "no obstacle ahead"
SIZE_UNKNOWN = "size not given"


def with_arrow(direction: str) -> str:
    """Write a direction with its arrow."""
    return f"{'▲' if direction == 'long' else '▼'} {direction}"


def acting(data: SetupData, zone: str) -> str:
    """Give entry, stop, size, money at risk, room and how long it is valid, in this order; without the instrument.

    Without such an entry, or without risk, it says why. Times are in the reader's zone.
    """
    entry, stop = chosen_entry(data), data["levels"]["stop"]
    if entry["risk"] is None:
        what = f"no {data['entry_style']} entry" if entry["price"] is None else "not plannable"
        # The reason of an entry that is not plannable begins with these words.
        why = phrase(entry["reason"]).removeprefix("not plannable: ")
        return f"{what}: {why}; stop {stop}"
    parts = (
        _entry_in_words(data, entry),
        f"stop {stop}",
        *_size_in_words(data, entry),
        room_in_words(entry["room"]),
        valid_in_words(data, zone),
    )
    return ", ".join(parts)


def in_short(data: SetupData) -> str:
    """Give what fits into a subject line: size and room; empty if no entry is planned."""
    entry = chosen_entry(data)
    if entry["risk"] is None:
        return ""
    return f", size {sized(entry['size'])}, {room_in_words(entry['room'])}"


def room_in_words(room: str | None) -> str:
    """Say how far the next obstacle is."""
    return NO_OBSTACLE if room is None else f"room {room} R"


def valid_in_words(data: SetupData, zone: str) -> str:
    """Say how long the order waits."""
    if data["entry_style"] == "early":
        return NEXT_OPEN
    # Events of earlier releases do not have this time.
    until = data.get("valid_until")
    if until is None:
        return f"for {number_of(data['entry_within'], 'bar')}"
    return f"until {day_and_time(until, zone)}"


def money_in_words(data: SetupData, entry: Entry) -> str:
    """Give what is at risk, as «999.60 EUR»; empty if that is not known."""
    at_risk = entry.get("at_risk")  # missing in events of earlier releases
    if at_risk is None:
        return ""
    return f"{grouped(f'{float(at_risk):.2f}')} {data['account_currency']}".rstrip()


def key_figures(data: SetupData, zone: str) -> tuple[Line, ...]:
    """Give the figures of the line one by one, with the other key figures of a plan."""
    entry = chosen_entry(data)
    if entry["risk"] is None:
        return (Line("entry", "none"), Line("stop", data["levels"]["stop"]))
    valid = valid_in_words(data, zone)
    figures = [
        Line(f"entry, {_order(data)}", entry["price"] or ""),
        Line("stop", data["levels"]["stop"]),
        Line("size", sized(entry["size"])),
        Line("money at risk", money_in_words(data, entry) or "not known"),
        Line("room", NO_OBSTACLE if entry["room"] is None else f"{entry['room']} R"),
        Line("valid", valid) if not valid.startswith("until ") else Line("valid until", valid.removeprefix("until ")),
        *(Line(f"{times}R", price) for times, price in enumerate(entry["objectives"], start=1)),
        Line("obstacle", entry["obstacle"] or "none"),
        Line("R, entry to stop", entry["risk"]),
        Line("exit", data["exit_plan"]["style"]),
    ]
    return tuple(figures)


def _entry_in_words(data: SetupData, entry: Entry) -> str:
    if data["entry_style"] == "break":
        return f"entry {entry['price']} ({_order(data)})"
    when = "at the next open" if data["entry_style"] == "early" else f"at the open after a {_beyond(data)}"
    return f"entry {when}, about {entry['price']}"


def _beyond(data: SetupData) -> str:
    return f"close {'above' if data['direction'] == 'long' else 'below'} the fast average"


def _order(data: SetupData) -> str:
    """Name the order of the entry."""
    side = "buy" if data["direction"] == "long" else "sell"
    ways = {"break": f"{side} stop", "early": f"{side} at the next open", "average": f"{side} after a {_beyond(data)}"}
    return ways[data["entry_style"]]


def _size_in_words(data: SetupData, entry: Entry) -> tuple[str, ...]:
    if entry["size"] is None:
        return (SIZE_UNKNOWN,)
    money = money_in_words(data, entry)
    return (f"size {sized(entry['size'])}", *([f"{money} at risk"] if money and float(entry["size"]) else []))


def sized(size: str | None) -> str:
    """Write a size, or that it is not known."""
    return "not given" if size is None else grouped(size)
