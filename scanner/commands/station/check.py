"""``closewatch check``: what is wrong with a configuration, or when its bars close next."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.station.record_notes import told_of_record
from scanner.commands.trouble import DONE, FAILED, UNUSABLE
from scanner.configuration.check import check
from scanner.configuration.closings import next_closes
from scanner.configuration.hazards import coming_splits, hazards
from scanner.configuration.history_needed import histories
from scanner.service.outlined import outline_of
from scanner.service.trying.connect import try_all
from scanner.wording.tables import table
from scanner.wording.times import date, moment
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from scanner.configuration.check import CheckedConfig
    from scanner.configuration.model.settings import Settings


def run(path: Path, environ: Mapping[str, str], now: int, *, connect: bool, show_body: bool = False) -> int:
    """Print every mistake, or the timetable from ``now`` on (nanoseconds since 1970 UTC); give the exit code."""
    checked = check(path, environ)
    checked.warnings += [] if checked.left is None else hazards(checked.left, now)
    output.say(*checked.sentences())
    if checked.settings is None:
        output.say("", f"{_counted(checked)}.")
        return UNUSABLE
    if checked.warnings:
        output.say("")
    output.say(f"{path} can be used{f', with {_counted(checked)}' if checked.warnings else ''}.", "")
    told = told_of_record(outline_of(checked.settings, environ, now), now)
    coming = [line for each in coming_splits(checked.settings, now) for line in (each, "")]
    output.say(*timetable(checked.settings, now), "", *needed(checked.settings, now), "", *coming, told)
    return _connected(checked.settings, environ, show_body=show_body) if connect else DONE


def _counted(checked: CheckedConfig) -> str:
    parts = [(len(checked.mistakes), "mistake"), (len(checked.warnings), "warning")]
    return " and ".join(counted(count, word) for count, word in parts if count)


def timetable(settings: Settings, now: int) -> list[str]:
    """Lay out the next bar closes in the user's and the exchange's time, and count what is watched."""
    zone = settings.station.zone
    rows = []
    for each in next_closes(settings, now):
        when = moment(each.time, zone, each.calendar.tz)
        rows.append((each.group or "(none)", each.calendar.name, each.timeframe.name, str(each.series), when))
    instruments, series = counted(len(settings.instruments), "instrument"), sum(int(row[3]) for row in rows)
    return [
        *table(("group", "calendar", "timeframe", "series", "next bar close"), rows, left=(0, 1, 2, 4)),
        "",
        f"{series:,} series of {instruments} would be watched.",
    ]


def needed(settings: Settings, now: int) -> list[str]:
    """Lay out how much history each series needs, in its own bars and in the bars its feed delivers."""
    rows = [
        (
            each.group or "(none)",
            each.calendar.name,
            each.timeframe.name,
            f"{each.bars:,}",
            "" if each.base == each.timeframe else f"{each.base_bars:,} of {each.base.name}",
            date(each.since, settings.station.zone),
        )
        for each in histories(settings, now)
    ]
    heads = ("group", "calendar", "timeframe", "bars", "made of", "asked from")
    return ["Before it reports a setup, a series needs:", "", *table(heads, rows, left=(0, 1, 2, 5))]


def _connected(settings: Settings, environ: Mapping[str, str], *, show_body: bool) -> int:
    output.tell("Trying every feed and sink …")
    tried = asyncio.run(try_all(settings, environ, show_body=show_body))
    output.say(
        "", *(f"{name}: {each.trouble or ', '.join(filter(None, ('ok', each.seen)))}" for name, each in tried.items())
    )
    return FAILED if any(each.trouble for each in tried.values()) else DONE
