"""Words for events of the station itself: series on hold, feeds late and back, a station caught up and alive."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.market.digits import grouped
from scanner.wording.cautions import SHORT
from scanner.wording.times import day_and_time, moment, parse_time
from scanner.wording.words import TEXT_LENGTH, Line, Words, headline, name, number_of, phrase, sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.event_data import FeedData, FoundInShort, SeriesData, StationData
    from scanner.ports import Message

AT_A_GLANCE = 4
"""Most setups named if there is no room for a list."""
SETUP = "setup"
LISTED = 12
"""Most names shown of a list; the rest are counted."""
LONGEST_NAME = 80
LONGEST_PART = 48
OF_PARTS = ("feed ", "sink ", "upkeep")
"""How a trouble begins that does not concern the station as a whole."""


def series_held(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say that a series is not judged for a while, and why."""
    data: SeriesData = message.event.data
    return Words(
        headline=headline(
            "On hold: ",
            data["instrument"],
            f" {data['timeframe']}, no setups until {grouped(data['ready_after'])} more bars",
        ),
        lead=f"{sentence(data['reason'])} Bar closed {moment(message.event.time, user_zone, exchange_zone)}.",
        wrong="Until then silence about it means nothing. "
        "If this was a split, an adjustment with its date and ratio in the configuration rescales the bars before it.",
    )


def series_resumed(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say that a series is judged again."""
    data: SeriesData = message.event.data
    return Words(
        headline=headline("Watched again: ", data["instrument"], f" {data['timeframe']}"),
        lead=f"{sentence(data['reason'])} Bar closed {moment(message.event.time, user_zone, exchange_zone)}.",
    )


def feed_late(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say that a feed is late."""
    data: FeedData = message.event.data
    return Words(
        headline=headline(
            "Feed late: ",
            data["feed"],
            f", {_series(len(data['series']))}, since {_since(data['since'], user_zone)}",
        ),
        lead=f"{sentence(data['reason'])} The first bar that is missing closed "
        f"{_since(data['since'], user_zone, exchange_zone)}.".lstrip(),
        why=_listed(data["series"]),
        wrong="Until it is back, silence does not mean that nothing qualified: nobody is looking at these series.",
    )


def feed_back(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say that a feed is back, and what was caught up on."""
    data: FeedData = message.event.data
    return Words(
        headline=headline("Feed back: ", data["feed"], f", {number_of(data['caught_up'], 'bar')} caught up"),
        lead=f"{sentence(data['reason'])} Late since {_since(data['since'], user_zone, exchange_zone)}.".lstrip(),
        why=_listed(data["series"]),
    )


def caught_up(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say what a station found while it caught up on the time it was away."""
    data: StationData = message.event.data
    late = number_of(data["setups_found"], "setup or ending", "setups and endings")
    what = f" caught up: {number_of(data['bars'], 'bar')}, {late} too old to act on"
    return _of_station(message, user_zone, exchange_zone, what)


def watching(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say that a station is alive, what it watched, and its troubles."""
    data: StationData = message.event.data
    trouble = number_of(len(data["troubles"]), "problem") if data["troubles"] else "no problem"
    what = f" is still watching: {_series(data['series'])}, {number_of(data['setups_found'], 'setup')}, {trouble}"
    return _of_station(message, user_zone, exchange_zone, what)


def _of_station(message: Message, user_zone: str, exchange_zone: str | None, what: str) -> Words:
    data: StationData = message.event.data
    return Words(
        headline=headline("", data["station"], what),
        lead=_state(data, message.event.time, user_zone, exchange_zone),
        glance=_newest(data, user_zone),
        why=_named(data, user_zone),
        caution=SHORT if data["setups_found"] else "",
    )


def _state(data: StationData, time: int, user_zone: str, exchange_zone: str | None) -> str:
    looked = f"{number_of(data['bars'], 'bar')} of {_series(data['series'])} looked at"
    return f"{sentence(data['reason'])} {looked} until {moment(time, user_zone, exchange_zone)}.".lstrip()


def _series(count: int) -> str:
    return number_of(count, "series", "series")


def _named(data: StationData, zone: str) -> tuple[Line, ...]:
    """List the setups, newest first, with their levels, and the station's troubles."""
    troubles = data["troubles"]
    shown = [_trouble(each) for each in troubles[:LISTED]]
    # Summaries of earlier releases have only names.
    found = [_setup(each, zone) for each in reversed(data.get("found", ()))]
    named = found or [Line("setup", name(each, LONGEST_NAME)) for each in reversed(data["setups"])]
    setups = _counted("setup", named[:LISTED], data["setups_found"])
    return setups + _counted("problem", shown, len(troubles))


def _newest(data: StationData, zone: str) -> str:
    """Name the newest setups with their levels in one line, if there is no room for a list."""
    lines = [_setup(each, zone) for each in reversed(data.get("found", ())[-AT_A_GLANCE:])]
    rest = data["setups_found"] - len(lines)
    named = [f"{line.value} {line.name}, {line.note}" for line in lines]
    more = [f"and {grouped(rest)} more"] if named and rest > 0 else []
    return f"{'; '.join(named + more)}." if named else ""


def _setup(found: FoundInShort, zone: str) -> Line:
    """Name a setup with its levels, or its end."""
    what = found["title"] if found["what"] == SETUP else found["what"]
    figures = [
        f"entry {found['entry'] or 'none'}",
        f"stop {found['stop']}",
        "" if found["size"] is None else f"size {grouped(found['size'])}",
        "" if found["room"] is None else f"room {found['room']} R",
    ]
    named = f"{name(found['instrument'])} {found['timeframe']} {found['direction']}"
    note = f"{phrase(what)}: {', '.join(filter(None, figures))}"
    return Line(day_and_time(found["bar_close"], zone), named, note)


def _trouble(text: str) -> Line:
    """Name whose trouble it is, and give its whole text, since what to do comes last."""
    whose, _, what = text.partition(": ")
    if not what or not whose.startswith(OF_PARTS):
        whose, what = "station", text
    return Line("problem", name(whose, LONGEST_PART), name(what, TEXT_LENGTH))


def _listed(series: Sequence[str]) -> tuple[Line, ...]:
    """Name the first of some series."""
    return _counted("series", [Line("series", name(each, LONGEST_NAME)) for each in series[:LISTED]], len(series))


def _counted(what: str, lines: list[Line], count: int) -> tuple[Line, ...]:
    """Count those beyond the lines that there are."""
    if count > len(lines):
        lines.append(Line(what, f"and {grouped(count - len(lines))} more"))
    return tuple(lines)


def _since(text: str, user_zone: str, exchange_zone: str | None = None) -> str:
    return moment(parse_time(text), user_zone, exchange_zone)
