"""Opening recorded files, and finding the instruments in them, for every command that reads them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import cache, partial
from importlib.metadata import distribution
from itertools import chain, product
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.market.bars import NO_TIME
from scanner.market.guard import Guard
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps, guess_step
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import timetable_of
from scanner.market.splits import in_force
from scanner.pipeline import Inputs
from scanner.replays.contradictions import check_columns, check_currency, check_step, is_mostly_refused
from scanner.replays.replay import MostlyRefusedError, Recording, ReplayError, base_timeframe
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from decimal import Decimal
    from pathlib import Path

    import pandas as pd

    from scanner.configuration.model.settings import Settings
    from scanner.market.bars import RawBars
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.splits import Adjustment
    from scanner.replays.replay import Tally


ROLES = ("time", "open", "high", "low", "close", "volume", "symbol")
"""The roles of the columns of a table of bars."""

FRAME = "frame"
"""The name of a table in memory, and of its instrument if no column names it."""

ROWS_TO_GUESS = 20_000
"""First rows whose bars are used to estimate the price step."""
WRONG_COLUMNS = {"high below low", "outside its range"}
"""The reasons noted on many rows if one column is taken for another."""
ZONES = (
    *("America/New_York", "America/Chicago", "America/Los_Angeles", "Europe/London", "Europe/Berlin", "UTC"),
    *("Asia/Tokyo", "Asia/Hong_Kong", "Asia/Kolkata", "Australia/Sydney"),
)
"""Zones that are tried, in addition to the calendar's own, if times do not fit."""


@dataclass(frozen=True, slots=True)
class Reading:
    """How to read files, and what is known of the instruments in them beyond their bars."""

    tz: str = "UTC"
    stamp: str = "open"
    time_format: str | None = None
    decimal: str | None = None
    columns: tuple[tuple[str, str], ...] = ()
    """Roles of columns and their names, as far as given; an empty name for one to leave out."""
    calendar: str = "none"
    step: Decimal | None = None
    timeframes: Sequence[str] = ()
    settings: Settings | None = None
    rulebook: Rulebook = field(default_factory=Rulebook)
    account: Account = field(default_factory=Account)
    currency: str = ""
    """Currency of the prices of instruments for which no configuration gives one."""
    until: int | None = None
    """The time by which bars must have closed, in nanoseconds since 1970 UTC; None for no limit."""
    frames: Mapping[str, pd.DataFrame] | None = None
    """Tables in memory that are read instead of files; the name of each stands for its path."""


def recordings(
    paths: Sequence[Path],
    reading: Reading,
    on_progress: Callable[[int, int], None] | None = None,
    on_trouble: Callable[[str], None] | None = None,
) -> Iterator[Recording]:
    """Open files, or tables in memory, through the feed ``recorded``, found by name like any other feed.

    With ``on_trouble``, files that cannot be opened or joined are reported there, and the others are read.
    """
    feed, how = _feed(), _how(reading)
    opened: Iterator[Recording]
    if reading.frames is not None:
        opened = feed.tables(reading.frames, **how)
    else:
        opened = feed.recordings(paths, **how, on_progress=on_progress, on_trouble=on_trouble)
    return opened


def survey(paths: Sequence[Path], reading: Reading) -> Iterator[tuple[Path, str | None, str]]:
    """Give for each file its instrument, None if it may hold several, and what is wrong with it."""
    looked: Iterator[tuple[Path, str | None, str]] = _feed().survey(paths, **_how(reading))
    return looked


@cache
def _feed() -> Any:  # noqa: ANN401 - a feed is known by name alone
    (feed,) = distribution("closewatch").entry_points.select(group="closewatch.feeds", name="recorded")
    return feed.load()


def _how(reading: Reading) -> dict[str, Any]:
    return {name: getattr(reading, name) for name in ("tz", "stamp", "time_format", "decimal", "columns")}


def named_columns(told: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Read the value of ``--columns``, such as ``time=Datum,close=Schluss``; ReplayError if it cannot be read.

    >>> named_columns(["time=Datum+Zeit,close=Schluss, bereinigt", "volume="])
    (('time', 'Datum+Zeit'), ('close', 'Schluss, bereinigt'), ('volume', ''))
    """
    found: dict[str, str] = {}
    for text in told:
        for part in re.split(rf",(?=(?:{'|'.join(ROLES)})=)", text):
            role, equals, name = part.partition("=")
            if not equals or role.strip() not in ROLES or role.strip() in found:
                raise ReplayError(
                    f"--columns {text}: write a role and the name of its column, as in time=Datum,close=Schluss; the "
                    f"roles are {', '.join(ROLES)}, each once"
                )
            found[role.strip()] = name.strip()
    return tuple(found.items())


def begun(reading: Reading, recording: Recording, tally: Tally) -> tuple[Inputs, Iterator[RawBars]]:
    """Find the parts of the pipeline for one recording, and give its rows.

    ReplayError if the user's options do not fit it.
    """
    chunks = iter(recording.bars)
    first = next(chunks)
    try:
        return inputs_for(reading, recording, first, tally), chain([first], chunks)
    except ValueError as problem:
        raise ReplayError(f"{recording.path}: {problem}") from problem


def inputs_for(reading: Reading, recording: Recording, first: RawBars, tally: Tally) -> Inputs:
    """Find the parts of the pipeline from the first rows of a recording and the user's options.

    An instrument of the configuration is used as defined there; any other, as the options say. ValueError says what
    does not fit.
    """
    base = base_timeframe(first, recording)
    rows = next(first.blocks(ROWS_TO_GUESS))
    named = list(dict.fromkeys(Timeframe.named(name) for name in reading.timeframes))
    said = calendar_named(reading.calendar, reading.tz)
    checked = Guard(timetable_of(said, base)).check(rows)
    check_columns(checked.bars, [role for role, name in reading.columns if name])
    bars = checked.bars[: reading.rulebook.rules.warm_up]
    shown = guess_step(np.concatenate([bars.open, bars.high, bars.low, bars.close]))
    if reading.step is not None:
        check_step(reading.step, shown, bars)
    steps = PriceSteps.fixed(shown.step if reading.step is None else reading.step)
    known = reading.settings
    if known is not None and recording.symbol in known.instruments:
        watched = known.of(recording.symbol, steps=steps, timeframes=(base,))
        instrument, calendar, rulebook = watched.instrument, watched.calendar, watched.rulebook
        targets, dates, group = named or list(watched.timeframes), watched.dates, watched.group
        fresh = partial(Guard, timetable_of(calendar, base), reading.until)
        adjustments = watched.adjustments and _taking_effect(watched.adjustments, recording, first, fresh)
    else:
        instrument, calendar, rulebook = Instrument(recording.symbol, steps), said, reading.rulebook
        targets, adjustments, dates, group = named or [base], (), None, ""
    if calendar != said:
        checked = Guard(timetable_of(calendar, base)).check(rows)
    if calendar.known and not len(checked.bars) and checked.counts["misaligned time"]:
        tried = advice(reading, partial(_first_rows, recording), calendar, base)
        raise ValueError(
            f"no {base.name} bar can begin where its first {len(rows):,} rows do in the sessions of "
            f"{calendar.name}; {tried or 'give another calendar, or the zone of the times with --tz'}"
        )
    instrument = replace(instrument, currency=instrument.currency or reading.currency)
    for file in recording.understood():
        check_currency(file.currency, instrument.currency)
    tally.guessed_step = shown if reading.step is None and instrument.steps is steps else None
    tally.step = "by price" if len(instrument.steps.steps) > 1 else f"{instrument.steps.steps[0]:f}"
    tally.timeframes = tuple(target.name for target in targets)
    account, until = reading.account, reading.until
    return Inputs(instrument, calendar, base, tuple(targets), rulebook, account, adjustments, dates, group, until)


def _taking_effect(
    splits: tuple[Adjustment, ...], recording: Recording, first: RawBars, fresh: Callable[[], Guard]
) -> tuple[Adjustment, ...]:
    """Give the known splits that take effect in a recording: one after its last bar changes nothing.

    It is read to its end only if its ``first`` rows do not show that all of them do.
    """
    reached = in_force(splits, _last_open([first], fresh()))
    return reached if reached == splits else in_force(splits, _last_open(recording.again(), fresh()))


def _last_open(chunks: Iterable[RawBars], guard: Guard) -> int:
    last = NO_TIME
    for raw in chunks:
        last = max([last, *guard.check(raw).bars.open_time[-1:].tolist()])
    return last


def _first_rows(recording: Recording, reading: Reading) -> RawBars | None:
    """Read the first rows of a recording again in another way; None if that gives no such recording."""
    for again in recordings([recording.path], reading):
        if again.symbol == recording.symbol:
            return next(next(iter(again.bars)).blocks(ROWS_TO_GUESS))
    return None


def advised(problem: ReplayError, recording: Recording, reading: Reading) -> str:
    """Say why a recording cannot be replayed, with what to try if its rows are mostly refused."""
    if not isinstance(problem, MostlyRefusedError):
        return str(problem)
    tried, timetable = "", problem.timetable
    if "misaligned time" in problem.reasons:
        tried = advice(reading, partial(_first_rows, recording), timetable.calendar, timetable.timeframe)
        if not tried and timetable.calendar.days_begin and not timetable.timeframe.intraday:
            tried = (
                "days whose sessions are unknown begin at midnight: give --calendar, or --tz with the zone in which "
                "they do; if only the dates count, write the rest as in --time-format '%Y-%m-%d 16:00'"
            )
    elif problem.reasons & WRONG_COLUMNS:
        tried = "a column may hold something other than its name says: compare some rows with the header"
    return f"{problem}; {tried or 'look at the note on each row, and correct the file or say how it is written'}"


def advice(reading: Reading, rows: Callable[[Reading], RawBars | None], calendar: Calendar, base: Timeframe) -> str:
    """Say which option would make the times of some rows fit; empty if none is found.

    ``rows`` reads the first rows again in another way.
    """
    best, most = "", 0
    is_of_options = calendar == calendar_named(reading.calendar, reading.tz)
    for words, other in _other_ways(reading, calendar):
        raw = rows(other)
        if raw is None:
            continue
        days = calendar_named(reading.calendar, other.tz) if is_of_options else calendar
        kept = len(Guard(timetable_of(days, base)).check(raw).bars)
        if 20 * kept >= 19 * len(raw):
            return words
        if kept > most and not is_mostly_refused(len(raw) - kept, len(raw)):
            best, most = words, kept
    return best


def _other_ways(reading: Reading, calendar: Calendar) -> Iterator[tuple[str, Reading]]:
    """Give other zones and kinds of time, likeliest first, each in words."""
    zones = dict.fromkeys((reading.tz, calendar.tz, *ZONES))
    for stamp, zone in product(dict.fromkeys((reading.stamp, "open", "close")), zones):
        if (stamp, zone) == (reading.stamp, reading.tz):
            continue
        said = []
        if zone != reading.tz:
            said.append(f"these look like {zone.rpartition('/')[2].replace('_', ' ')} times: --tz {zone}")
        if stamp != reading.stamp:
            said.append(f"these look like times at which bars {stamp}: --stamp {stamp}")
        yield ", and ".join(said), replace(reading, tz=zone, stamp=stamp)
