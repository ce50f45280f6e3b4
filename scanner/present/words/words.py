"""Events in plain English: a headline complete in itself, why, the levels, where the idea is wrong, the caution."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from scanner.events import KINDS
from scanner.market.digits import grouped
from scanner.present.glance.acting import in_short
from scanner.present.words import station_words, story_words
from scanner.present.words.forming_words import setup_forming
from scanner.present.words.setup_words import setup_found, setup_withdrawn
from scanner.wording.cautions import SHORT
from scanner.wording.times import parse_time, short
from scanner.wording.words import TITLE_LENGTH, Words, name, phrase

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from scanner.events import Event, Kind
    from scanner.ports import Message

WORDS: Mapping[Kind, Callable[[Message, str, str | None], Words]] = {
    "setup.forming": setup_forming,
    "setup.qualified": setup_found,
    "setup.set_aside": setup_found,
    "setup.withdrawn": setup_withdrawn,
    **dict.fromkeys(story_words.NEWS, story_words.of_story),
    "series.held": station_words.series_held,
    "series.resumed": station_words.series_resumed,
    "feed.late": station_words.feed_late,
    "feed.back": station_words.feed_back,
    "station.caught_up": station_words.caught_up,
    "station.watching": station_words.watching,
}
"""The function that words each kind of event."""


def alert(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Put one event into words; times are in the user's zone, and in the exchange's zone if it is known."""
    return WORDS[message.event.kind](message, user_zone, exchange_zone)


def conversation(message: Message, user_zone: str) -> str:
    """Name the story of a message, always in the same way; empty if it belongs to none.

    Size and room are those of its setup, if that is known. It has no price, since an outdated one would be shown
    with all later messages.
    """
    event = message.event
    if not event.facts.of_story:
        return ""
    data = event.data
    when = short(parse_time(data["setup_close"] if "setup_close" in data else data["bar_close"]), user_zone)
    of_series = f"{name(data['instrument'])} {data['timeframe']} {data['direction']}"
    setup = data if event.facts.begins else message.notes.setup
    plan = "" if setup is None else in_short(setup)
    return f"{of_series}{plan}: {phrase(data['setup'].replace('_', ' '))}, {when}"


def newest_first(messages: Sequence[Message]) -> list[Message]:
    """Sort messages for a digest: the last one about the latest bar comes first."""
    return sorted(messages, key=lambda message: message.event.time)[::-1]


def digest(messages: Sequence[Message], user_zone: str, exchange_zones: Mapping[str, str]) -> Words:
    """Word several events as one letter, the newest first.

    ``exchange_zones`` gives the zone of an instrument's exchange, by the instrument's name.
    """
    parts = tuple(
        alert(message, user_zone, _exchange_zone(message.event, exchange_zones)) for message in newest_first(messages)
    )
    counts = Counter(message.event.kind for message in messages)
    counted = [f"{grouped(count)} {KINDS[kind].counted[count > 1]}" for kind, count in counts.items()]
    facts = [message.event.facts for message in messages if message.late]
    late = sum(each.begins and each.ages for each in facts)
    return Words(
        headline=_whole(f"{grouped(len(messages))} alerts: ", counted),
        lead=f"Too late to act on: {grouped(late)} of them." if late else "",
        caution=SHORT if any(part.caution for part in parts) else "",
        parts=parts,
    )


def _whole(begin: str, parts: list[str]) -> str:
    """List as many parts as fit into a headline."""
    shown = begin + ", ".join(parts)
    while len(shown) > TITLE_LENGTH:
        parts = parts[:-1]
        shown = f"{begin}{', '.join(parts)} and more"
    return shown


def say(messages: Sequence[Message], user_zone: str, exchange_zones: Mapping[str, str]) -> Words:
    """Word the messages for a sink: one as an alert, several as a digest."""
    if len(messages) != 1:
        return digest(messages, user_zone, exchange_zones)
    return alert(messages[0], user_zone, _exchange_zone(messages[0].event, exchange_zones))


def _exchange_zone(event: Event, exchange_zones: Mapping[str, str]) -> str | None:
    return exchange_zones.get(event.data.get("instrument", ""))
