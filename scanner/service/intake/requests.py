"""Questions to a feed: what is wanted of it, how it wants to be asked, and how its answers are parted."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from scanner.service.together.arrival import Arrival

if TYPE_CHECKING:
    from collections.abc import Container, Mapping, Sequence

    from scanner.ports import Answer, Feed, Want


@dataclass(frozen=True, slots=True)
class Ask:
    """What is wanted of a feed: an instrument's bars up to the one that closes at ``close``."""

    instrument: str
    symbol: str
    timeframe: str
    close: int
    """0 where none has closed that could be missing."""


@dataclass(frozen=True, slots=True)
class Manners:
    """How a feed wants to be asked, by its own settings; times in seconds."""

    settle: float = 2.0
    patience: float = 120.0
    at_once: int = 4
    requests_per_minute: float | None = None
    answer_within: float = 30.0
    """Seconds after which a question is given up."""

    @classmethod
    def of(cls, feed: Feed) -> Manners:
        """Give what a feed's settings say, and what is usual where they say nothing."""
        told, usual = getattr(feed, "settings", None), cls()
        return cls(**{each.name: getattr(told, each.name, getattr(usual, each.name)) for each in fields(cls)})


def arrivals_of(answers: Sequence[Answer], wants: Mapping[Want, Sequence[Ask]], asked: int) -> list[Arrival]:
    """Give what came for each ask; ``asked`` is when the feed was asked."""
    return [
        Arrival(ask.instrument, answer.table, asked, answer.want.since, answer.shared)
        for answer in answers
        if len(answer)
        for ask in wants.get(answer.want, ())
    ]


def parted(arrivals: Sequence[Arrival], missed: Container[str]) -> list[list[Arrival]]:
    """Part what is to be taken in by itself.

    Late instruments go by themselves, so that what they catch up can be counted, and what came of an instrument for
    a second time goes after the first has been taken in, so that it is held against that.
    """
    parts: dict[tuple[int, bool], list[Arrival]] = {}
    times: Counter[str] = Counter()
    for each in arrivals:
        parts.setdefault((times[each.instrument], each.instrument not in missed), []).append(each)
        times[each.instrument] += 1
    return [parts[key] for key in sorted(parts)]
