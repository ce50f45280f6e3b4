"""The first answer of a feed, checked as the station would: whether it has bars, and whether the step fits."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from scanner.clocks import SECOND
from scanner.market.bars import Bars
from scanner.market.guard import NOTED, Guard, Note
from scanner.market.sessions.timetables import Timetable
from scanner.service.intake.known_bars import closed_known_and_new, not_begun
from scanner.wording.times import moment
from scanner.wording.words import counted, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.configuration.model.settings import Watched
    from scanner.ports import Answer, Feed

OF_ROWS = ("fields",)
OF_TIMES = ("time_unit", "stamp", "tz", "time_format", "timeframes")
"""Settings that say how a feed's rows, and their times, are read; not every feed has them."""
ABOUT_TIMES = {"unreadable time", "misaligned time", "repeated time", "backward time", "jump in time"}

ROUNDING = 1e-6
"""The part of a step by which the difference of two prices may be off."""


class Tried(NamedTuple):
    """The result of a check: ``trouble`` in a sentence, None if there is none, and what was ``seen``."""

    trouble: str | None = None
    seen: str = ""


def look(answers: Sequence[Answer], each: Watched, feed: Feed, zone: str, asked: int) -> Tried:
    """Check a feed's answer to a request for the bars of an instrument; ``zone`` is the user's.

    ``asked`` is when it was asked, in nanoseconds since 1970 UTC, by the clock of a recording if it is one.
    """
    timetable = Timetable(each.calendar, each.base)
    guard, parts, notes = Guard(timetable), list[Bars](), list[Note]()
    rows, counts, symbol = 0, Counter[str](), each.symbol
    for answer in answers:
        if ahead := not_begun(answer.bars, timetable, asked):
            return Tried(f"{ahead}; check {_settings_of(feed, times=True)}")
        _, _, closed = closed_known_and_new(answer.bars, timetable, None, asked)
        if len(closed):
            checked = guard.check(closed)
            rows += len(closed)
            parts.append(checked.bars)
            notes += checked.notes
            counts += checked.counts
    if not rows and feed.arrived is not None:
        return Tried(seen=f"no bar of {symbol} has been pushed yet")
    if not rows and any(map(len, answers)):
        return Tried(f"no row of {symbol} is of a bar that has closed; check {_settings_of(feed, times=True)}")
    if not rows:
        return Tried(f"no row of {symbol} came for {each.base.name}; check symbol, base and timeframes")
    found = Bars.joined(parts)
    bars, refused = len(found), rows - len(found)
    why = ""
    if refused:
        why = f"{_refused(refused, rows, symbol)} refused, {_example(notes, counts, feed)}"
    if refused > bars:
        return Tried(why)
    span = f"from {moment(int(found.open_time[0]), zone)} to {moment(int(found.close_time[-1]), zone)}"
    seen = f"{counted(bars, 'bar')} of {symbol} {each.base.name} {span}"
    due = asked - int(feed.limits.patience * SECOND)
    missing = len(timetable.closes_between(int(found.close_time[-1]), due)[1])
    old = f"{counted(missing, 'bar')} that closed since {'is' if missing == 1 else 'are'} missing" if missing else ""
    return Tried(_step_trouble(found, each), "; ".join(filter(None, (seen, old, why))))


def _refused(refused: int, rows: int, symbol: str) -> str:
    if rows == 1:
        return f"the only row of {symbol} is"
    how_many = f"{refused:,} of {rows:,}" if refused < rows else f"all {rows:,}"
    return f"{how_many} rows of {symbol} {'is' if refused == 1 else 'are'}"


def _example(notes: Sequence[Note], counts: Counter[str], feed: Feed) -> str:
    reason = max((each.reason for each in notes if each.reason not in NOTED), key=lambda name: counts[name])
    note = next(each for each in notes if each.reason == reason)
    return f"such as row {note.row}: {note.text}; check {_settings_of(feed, times=reason in ABOUT_TIMES)}"


def _settings_of(feed: Feed, *, times: bool) -> str:
    """Name the settings of a feed that say how its rows, and perhaps their times, are read."""
    known = getattr(type(getattr(feed, "settings", None)), "model_fields", {})
    keys = [key for key in (*OF_ROWS, *(OF_TIMES if times else ())) if key in known]
    return ", ".join([*keys, *(["calendar", "zone"] if times else [])]) or "what the feed sends"


def _step_trouble(bars: Bars, each: Watched) -> str | None:
    """Say if a price step is too large: then levels would lie far from the bars they are derived from."""
    ranges = bars.high - bars.low
    moved = ranges[ranges > 0]  # a bar without range may be a single trade, whatever the step
    if not len(moved):
        return None
    step, median = each.instrument.steps.at(Decimal(str(float(np.median(bars.close))))), float(np.median(moved))
    if float(step) * (1 - ROUNDING) <= median:
        return None
    return (
        f"the price step {step.normalize():f} is larger than most bars of {each.symbol} "
        f"(median range {number(median)}): check step"
    )
