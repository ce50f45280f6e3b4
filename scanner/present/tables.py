"""Plain tables for a terminal: fast for ten thousand rows, narrow enough for eighty columns."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

DAY = 25 * 3_600 * 1_000_000_000
"""The longest day, in nanoseconds: the one on which a clock is put back."""


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], left: Sequence[int] = (0,)) -> list[str]:
    """Lay out rows under their heads, as narrow as they allow; the columns in ``left`` are flush left.

    >>> table(["what", "how many"], [["bars", "5031"]])
    ['what  how many', 'bars      5031']
    """
    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    line = "  ".join(f"{{:{'<' if number in left else '>'}{width}}}" for number, width in enumerate(widths))
    return [line.format(*row).rstrip() for row in (heads, *rows)]


def fitted(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int,
    narrowed: Sequence[str],
    left: Collection[str],
    without: Collection[str] = (),
) -> list[str]:
    """Lay out rows as ``table`` does, at most ``width`` columns wide where that can be.

    The columns ``without`` are left out, and those ``narrowed`` one after the other until the rest fits; those named in
    ``left`` are flush left.

    >>> fitted(["what", "how many", "where"], [["bars", "5031", "here"]], 18, ["where"], ["what"])
    ['what  how many', 'bars      5031']
    """
    dropped = set(without)
    for next_one in (*narrowed, None):
        keep = [number for number, head in enumerate(heads) if head not in dropped]
        places = [place for place, number in enumerate(keep) if heads[number] in left]
        kept = [[row[number] for number in keep] for row in rows]
        lines = table([heads[number] for number in keep], kept, places)
        if next_one is None or max(map(len, lines)) <= width:
            break
        dropped.add(next_one)
    return lines


def bar_time(open_time: int, close_time: int, zone: str, *, daily: bool) -> str:
    """Name a bar as people do: the day of a daily one, the first day of a weekly one, else the minute it closed at."""
    # A session that opens on Sunday evening is Monday's: a day's bar is named by its middle.
    length = close_time - open_time
    day = open_time + length // 2 if length <= DAY else open_time
    moment = datetime.fromtimestamp((day if daily else close_time) // 1_000_000_000, ZoneInfo(zone))
    return moment.date().isoformat() if daily else moment.replace(tzinfo=None).isoformat(" ", "minutes")


def parse_time(text: str) -> int:
    """Read an RFC 3339 time back into nanoseconds since 1970 UTC."""
    return int(datetime.fromisoformat(text).timestamp()) * 1_000_000_000
