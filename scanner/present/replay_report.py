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


class Report:
    """Takes events as they come, and keeps of each the words that a table or a line shows: ten thousand are common."""

    def __init__(self, zone: str) -> None:
        self.zone = zone
        self._setups: list[tuple[str, ...]] = []
        self._holds: list[str] = []

    def add(self, event: Event) -> None:
        """Take an event."""
        if event.kind == "setup.qualified":
            self._setups.append(_row(event, self.zone))
        else:
            self._holds.append(_line(event, self.zone))

    def lines(self, width: int) -> list[str]:
        """Give the setups as a table, one row each, at most ``width`` columns wide where that can be, and the holds."""
        found = [*_table(self._setups, width), ""] if self._setups else []
        return found + (["on hold:", *self._holds, ""] if self._holds else [])


def _when(event: Event, zone: str) -> str:
    daily = event.data["timeframe"] in {"1d", "1w"}
    return bar_time(parse_time(event.data["bar_open"]) if daily else 0, event.time, zone, daily=daily)


def _row(event: Event, zone: str) -> tuple[str, ...]:
    data = event.data
    entry = data["entries"][data["entry_style"]]
    return (
        _when(event, zone),
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


def _line(event: Event, zone: str) -> str:
    """Say when a series was put on hold or was warm again."""
    data = event.data
    return f"{_when(event, zone)}  {plain(data['instrument'], NAME_LENGTH)} {data['timeframe']}: {data['reason']}"


def _table(rows: list[tuple[str, ...]], width: int) -> list[str]:
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
            [f"not warm      {plain(tally.symbol, NAME_LENGTH)} {each}" for tally in tallies for each in tally.unready],
        )
    )
