"""Requests to a feed: what is wanted, how the feed wants to be asked, and how answers are divided."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from scanner.service.together.usual import Arrival

if TYPE_CHECKING:
    from collections.abc import Container, Mapping, Sequence

    from scanner.ports import Answer, Feed, Want


@dataclass(frozen=True, slots=True)
class Ask:
    """A want: an instrument's bars up to the one that closes at ``close``."""

    instrument: str
    symbol: str
    timeframe: str
    close: int
    """0 if no bar has closed that could be missing."""


@dataclass(frozen=True, slots=True)
class FeedLimits:
    """How a feed wants to be asked, by its own settings; times in seconds."""

    settle: float = 2.0
    patience: float = 120.0
    at_once: int = 4
    requests_per_minute: float | None = None
    answer_within: float = 30.0
    """Seconds after which a request is given up."""

    @classmethod
    def of(cls, feed: Feed) -> FeedLimits:
        """Give the values of a feed's settings, with defaults for those it does not have."""
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
    """Divide what came into parts that are taken in one after the other.

    Late instruments form a part of their own, so that the bars they catch up on can be counted. If an instrument comes
    twice, the second goes into a later part, so that it is compared with the first.
    """
    parts: dict[tuple[int, bool], list[Arrival]] = {}
    times: Counter[str] = Counter()
    for each in arrivals:
        parts.setdefault((times[each.instrument], each.instrument not in missed), []).append(each)
        times[each.instrument] += 1
    return [parts[key] for key in sorted(parts)]
