"""How files of bars were understood, in words."""

from __future__ import annotations

from math import isnan
from textwrap import wrap
from typing import TYPE_CHECKING

from scanner.wording.text import plain
from scanner.wording.times import bar_time, is_daily, moment
from scanner.wording.words import by_reason

if TYPE_CHECKING:
    from scanner.market.bars import Bars
    from scanner.ports import UnderstoodFile
    from scanner.replays.replay import Tally

WIDTH, INDENT = 100, 16
MARKS = {".": "point", ",": "comma"}


def file_lines(file: UnderstoodFile) -> list[str]:
    """Say how a file was read."""
    names = [f"{what} {_name(name)}" for what, name in file.columns.items()]
    if file.stamp == "date":
        times = "days"
    else:
        zone = f"by the clocks of {file.zone}" if file.zone else "in the zone they name"
        unsaid = ", since no other zone was given (--tz)" if file.zone == "UTC" else ""
        times = f"when a bar {'opens' if file.stamp == 'open' else 'closes'}, {zone}{unsaid}"
    told = {
        "form": file.form,
        "columns": ", ".join(names),
        "not read": ", ".join(map(_name, file.unused)),
        "times": times + (f", written {file.time_format}" if file.time_format else ""),
        "decimal mark": MARKS[file.decimal],
        "currency": f"prices are marked {file.currency}" if file.currency else "",
        "order": "newest first; turned round" if file.newest_first else "oldest first",
        "end": "no line end; if the file was cut off there, its last number is wrong" if file.open_end else "",
    }
    lines = [line for what, text in told.items() if text for line in _paragraph(what, text)]
    return [str(file.path), *lines]


def open_end_line(file: UnderstoodFile) -> str:
    """Say that a file may be truncated."""
    return f"{file.path}: the last line has no line end; if the file was cut off there, its last number is wrong"


def series_lines(tally: Tally, first: Bars, zone: str) -> list[str]:
    """Give the bars made from the rows of one instrument, and show the first."""
    (timeframe,) = tally.timeframes
    refused = by_reason(tally.refused)
    counts = f"{tally.bars:,} bars of {timeframe}"
    if len(first) and tally.last is not None:
        begin = _when(first.open_time.item(0), first.close_time.item(0), zone, timeframe)
        end = _when(tally.last - 1, tally.last - 1, zone, timeframe)
        counts += f", {begin} to {end}"
    told = {
        "bars": counts,
        "refused": f"{tally.refused.total():,} of {tally.rows:,} rows{f' ({refused})' if refused else ''}",
        "price step": tally.step + (", estimated" if tally.guessed_step else ""),
    }
    lines = [line for what, text in told.items() for line in _paragraph(what, text)]
    bars = [
        f"{_when(first.open_time.item(at), first.close_time.item(at), zone, timeframe)}: "
        + ", ".join(f"{what} {getattr(first, what)[at]:.10g}" for what in ("open", "high", "low", "close"))
        + (", no volume" if isnan(first.volume[at]) else f", volume {first.volume[at]:,.10g}")
        for at in range(len(first))
    ]
    begins = [line for number, bar in enumerate(bars) for line in _paragraph("" if number else "the first", bar)]
    return [plain(tally.symbol), *lines, *begins]


def _paragraph(what: str, text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=f"  {what:<{INDENT - 2}}", subsequent_indent=" " * INDENT)


def _name(name: str) -> str:
    return f'"{plain(name)}"'


def _when(opens: int, closes: int, zone: str, timeframe: str) -> str:
    return bar_time(opens, closes, zone, timeframe) if is_daily(timeframe) else moment(opens, zone)
