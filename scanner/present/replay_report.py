"""The report of a replay: every setup as a row, the holds, then what was read, refused and found."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from scanner.present.tables import bar_time, parse_time, table
from scanner.present.text import plain

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Sequence

    from scanner.events import Event
    from scanner.study.replay import Tally

NAME_LENGTH = 16
HEADS = ("bar", "instrument", "tf", "side", "place", "evidence", "entry", "stop", "1R", "room", "exit")
NARROWED = ("exit", "1R", "room", "tf")
"""Columns that a narrow terminal does without, in this order."""


def _when(data: dict[str, str], zone: str) -> str:
    daily = data["timeframe"] in {"1d", "1w"}
    return bar_time(parse_time(data["bar_open"]), parse_time(data["bar_close"]), zone, daily=daily)


def setups(events: Sequence[Event], zone: str, width: int) -> list[str]:
    """Give a table of the setups, one row each, at most ``width`` columns wide where that can be."""
    rows: list[tuple[str, ...]] = []
    for event in events:
        data = event.data
        entry = data["entries"][data["entry_style"]]
        rows.append(
            (
                _when(data, zone),
                plain(data["instrument"], NAME_LENGTH),
                data["timeframe"],
                data["direction"],
                data["place"],
                f"{data['evidence_points']} of {data['evidence_total']}",
                entry["price"] or "-",
                data["levels"]["stop"],
                (entry["objectives"] or ["-"])[0],
                entry["room"] or "-",
                data["exit_plan"]["style"],
            )
        )
    heads: tuple[str, ...] = HEADS
    lines = table(heads, rows, left=range(5))
    for dropped in NARROWED:
        if max(map(len, lines)) <= width:
            break
        keep = [number for number, head in enumerate(heads) if head != dropped]
        heads = tuple(heads[number] for number in keep)
        rows = [tuple(row[number] for number in keep) for row in rows]
        lines = table(heads, rows, left=range(5))
    return lines


def holds(events: Sequence[Event], zone: str) -> list[str]:
    """Give a line for each time a series was put on hold or was warm again."""
    return [
        f"{_when(event.data, zone)}  {plain(event.data['instrument'], NAME_LENGTH)} {event.data['timeframe']}: "
        f"{event.data['reason']}"
        for event in events
    ]


def _counted(reasons: Counter[str]) -> str:
    if not reasons:
        return "0"
    return f"{reasons.total():,} ({', '.join(f'{count:,} {reason}' for reason, count in sorted(reasons.items()))})"


def summary(tallies: Sequence[Tally], zone: str) -> list[str]:
    """Give what was read, refused and found: a row for each recording, and the sum."""
    rows = [
        (
            plain(tally.symbol, NAME_LENGTH),
            ",".join(tally.timeframes),
            "-" if tally.first is None else bar_time(tally.first, tally.first, zone, daily=True),
            "-" if tally.last is None else bar_time(tally.last - 1, tally.last - 1, zone, daily=True),
            f"{tally.bars:,}",
            f"{tally.refused.total():,}",
            f"{tally.setups['long']}",
            f"{tally.setups['short']}",
            tally.step + (" guessed" if tally.step_guessed else ""),
        )
        for tally in tallies
    ]
    heads = ("instrument", "tf", "first", "last", "bars", "refused", "long", "short", "price step")
    refused = sum((tally.refused for tally in tallies), start=type(tallies[0].refused)())
    noted = sum((tally.noted for tally in tallies), start=type(tallies[0].noted)())
    found = sum(tally.setups.total() for tally in tallies)
    held = sum(tally.held for tally in tallies)
    return list(
        chain(
            table(heads, rows, left=(0, 1)),
            [
                "",
                f"bars read     {sum(tally.rows for tally in tallies):,}",
                f"refused       {_counted(refused)}",
                f"noted         {_counted(noted)}",
                f"put on hold   {held:,}",
                f"setups found  {found:,}",
            ],
        )
    )
