"""Requests to a feed: what is wanted, how the feed wants to be asked, and how answers are divided."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from scanner.market.bars import RawBars
from scanner.ports import Answer, FeedTroubleError
from scanner.service.together.usual import Arrival

if TYPE_CHECKING:
    from collections.abc import Container, Mapping

    from scanner.ports import Want


@dataclass(frozen=True, slots=True)
class Ask:
    """A want: an instrument's bars up to the one that closes at ``close``."""

    instrument: str
    symbol: str
    timeframe: str
    close: int
    """0 if no bar has closed that could be missing."""


def fitting(answers: Any, wants: Container[Want]) -> Sequence[Answer]:  # noqa: ANN401 - an adapter may give anything
    """Give the answers of a feed on if they have the shape of ``ports.Feed``; FeedTroubleError says what has not.

    Compiled code that reads the columns looks neither at their lengths nor, once compiled, at their types.
    """
    if not isinstance(answers, Sequence):
        raise FeedTroubleError(f"its adapter gave a {type(answers).__name__} instead of a list of Answers")
    tables = {}
    for each in answers:
        if not isinstance(each, Answer):
            raise FeedTroubleError(f"its adapter gave a {type(each).__name__} instead of an Answer")
        if each.want not in wants:
            raise FeedTroubleError(f"its adapter answered a want that it was not asked, {each.want}")
        tables[id(each.table)] = each.table
    for table in tables.values():
        if not isinstance(table, RawBars):
            raise FeedTroubleError(f"its adapter gave a {type(table).__name__} instead of RawBars")
        if fault := table.fault():
            raise FeedTroubleError(f"its adapter gave {fault}")
    return answers


def arrivals_of(answers: Sequence[Answer], wants: Mapping[Want, Sequence[Ask]], asked: int) -> list[Arrival]:
    """Give what came for each ask; ``asked`` is when the feed was asked."""
    return [
        Arrival(ask.instrument, answer.table, asked, answer.want.since, answer.shared)
        for answer in answers
        if len(answer)
        for ask in wants[answer.want]
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
