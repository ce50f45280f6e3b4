"""Setups from Python: tables of bars in, tables and pictures out, by the code of ``closewatch replay``."""

from __future__ import annotations

import re
import time
import warnings
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal, InvalidOperation
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scanner.commands import output
from scanner.commands.ready import compile_once
from scanner.commands.recorded.chart import format_of, picture_at
from scanner.commands.recorded.explain import reported_at, unready_at
from scanner.commands.recorded.one_bar import Recorded, is_day
from scanner.configuration.model.settings import load
from scanner.configuration.model.wrong_setups import try_own_setups
from scanner.cycles import no_search_for_cycles
from scanner.events import rfc3339
from scanner.replays.found_columns import FoundColumns
from scanner.replays.recordings import FRAME, Reading, advised, begun, recordings
from scanner.replays.replay import ReplayError, Tally, checked_blocks
from scanner.store.upkeep.event_columns import COLUMNS
from scanner.trade.rulebook import Rulebook
from scanner.wording.words import by_reason, counted

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from typing import Literal

    from scanner.commands.recorded.one_bar import OneBar
    from scanner.judgement import Judgement
    from scanner.present.chart.picture import Picture
    from scanner.replays.replay import Recording
    from scanner.store.upkeep.event_columns import Kind

OF_SETUP = (
    *("instrument", "timeframe", "setup", "direction", "bar_open", "bar_close", "set_aside", "reason", "place"),
    *("evidence_points", "evidence_total", "close", "step", "early", "break", "average", "stop", "entry_style"),
    *("planned_entry", "planned_risk", "objective_1", "objective_2", "objective_3", "obstacle", "room", "size"),
    *("exit_style", "currency"),
)
"""The COLUMNS of events that a setup has."""
CAME: dict[str, Kind] = {
    "state": "text",
    "entry": "number",
    "exit": "number",
    "r": "number",
    "cost_r": "number",
    "ended": "moment",
}
"""The columns of its outcome."""
TYPES: dict[Kind, type] = {"number": np.float64, "whole": np.int64, "truth": np.bool_, "moment": np.int64}
LINES = ("instrument", "bar_close", "setup", "direction", "part", "name", "measured", "threshold", "holds", "text")

_ADVICE = re.compile(r"--(tz|stamp|calendar|step|timeframe|instrument) ([\w/.:+-]*\w)")


def find_setups(
    frame: pd.DataFrame,
    *,
    timeframe: str | None = None,
    calendar: str = "none",
    tz: str = "UTC",
    stamp: Literal["open", "close"] = "open",
    step: Decimal | float | str | None = None,
    config: str | Path | None = None,
) -> pd.DataFrame:
    """Find every setup in a table of bars, with its levels and outcome: the figures of ``closewatch replay``.

    ``frame`` has a row for each bar. Times are in the index or in a column. Times without a zone are in ``tz``;
    ``stamp`` says whether they are those of the open or the close. Columns may have any of the usual names in English,
    German, French, Spanish or Italian: open, high, low, close and, optionally, volume and instrument. The frame is
    never changed. ``timeframe``, ``calendar``, ``step`` (points of price) and ``config`` are as on the command line.
    The defaults are the bars' own timeframe, no sessions, an estimated step and the setups that are watched by default.

    Gives a row for each setup, by instrument and in order of bars. This includes those set aside; leave them out with
    ``found[~found.set_aside]``. Prices are in points, and ``evidence_points`` counts out of ``evidence_total``.
    ``room``, ``r`` (the result before costs) and ``cost_r`` (NaN if costs are unknown) are in R: the risk from the
    entry to the first stop. Times are UTC. ``state`` is the outcome: waiting, open, stopped, left, left_on_pressure,
    lapsed, spoiled or broken_off. It is missing if there is no entry to follow, and ``ended`` if there is no end yet.
    For the other columns see ``scanner.store.upkeep.event_columns``.

    Warns of rows that were refused or noted, of series put on hold and of series with too few bars. Raises ValueError
    with one sentence if the frame cannot be read, or if more than a fifth of its rows is refused.

    Not advice and no promise. Past results prove nothing about the future. Local rules and licensed advice come first.

    >>> days = pd.date_range("2024-01-01", periods=300)
    >>> prices = [10.0 + number % 7 for number in range(300)]  # invented
    >>> dull = pd.DataFrame(dict.fromkeys(("Open", "High", "Low", "Close"), prices), index=days)
    >>> find_setups(dull)[["bar_close", "direction", "stop", "state", "r"]].shape
    (0, 5)
    """
    reading = _reading(frame, timeframe, calendar, tz, stamp, step, config)
    with _sentences(), no_search_for_cycles():
        return _found_in(reading)


def _found_in(reading: Reading) -> pd.DataFrame:
    """Find the setups in the table; everything else that this needs is freed when it returns."""
    found: list[pd.DataFrame] = []
    compile_once([reading.rulebook])
    for recording in recordings((), reading):
        tally = Tally(recording.symbol, str(recording.path))
        try:
            found += _found_in_one(recording, reading, tally)
        except ReplayError as problem:
            raise ValueError(in_python(advised(problem, recording, reading))) from None
        _warn(tally)
    return pd.concat(found, ignore_index=True) if found else _table([])


def _found_in_one(recording: Recording, reading: Reading, tally: Tally) -> Iterator[pd.DataFrame]:
    """Find the setups of one instrument, and count its rows."""
    inputs, chunks = begun(reading, recording, tally)
    pipeline = inputs.pipeline()
    lanes = [FoundColumns(lane.engine) for lane in pipeline.lanes]
    for _, checked in checked_blocks(chunks, pipeline.guard, tally):
        for event in pipeline.events(checked.bars):
            tally.hear(event)  # of series put on hold
        tally.noted.update(note.reason for note in pipeline.suspects(checked))
    tally.end(pipeline)
    found = _table([columns for lane in lanes if (columns := lane.columns())])
    yield found if len(lanes) == 1 else found.sort_values("bar_close", kind="stable")


def _table(parts: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Join the columns of several series."""
    kinds = {**{name: COLUMNS[name] for name in OF_SETUP}, **CAME}
    return pd.DataFrame({name: _column([part[name] for part in parts], kind) for name, kind in kinds.items()})


def explain_bar(
    frame: pd.DataFrame,
    at: str | date | np.datetime64,
    *,
    instrument: str | None = None,
    timeframe: str | None = None,
    calendar: str = "none",
    tz: str = "UTC",
    stamp: Literal["open", "close"] = "open",
    step: Decimal | float | str | None = None,
    config: str | Path | None = None,
) -> pd.DataFrame:
    """Say why there was a setup at a bar, or why there was none: the numbers of ``closewatch explain``.

    ``at`` is the day of a bar, or the time at which it closed, in ``tz`` if it names no zone. If bars are shorter than
    a day, a day means all bars that closed on it. ``instrument`` chooses one if the frame has several. The other
    arguments are as for ``find_setups``.

    Gives a row for each rule, place and surrounding (``part``) of each setup in both directions: the value
    ``measured``, the ``threshold`` as a text, whether it ``holds``, and a ``text`` that names the unit. Warns if no
    setup can be reported at the bar. Raises ValueError with one sentence, also if there is no such bar.

    >>> days = pd.date_range("2024-01-01", periods=300)
    >>> prices = [10.0 + number % 7 for number in range(300)]  # invented
    >>> dull = pd.DataFrame(dict.fromkeys(("Open", "High", "Low", "Close"), prices), index=days)
    >>> told = explain_bar(dull, "2024-10-01")
    >>> sorted(set(told.part)), sorted(set(told.direction))
    (['place', 'rule', 'surrounding'], ['long', 'short'])
    """
    reading = _reading(frame, timeframe, calendar, tz, stamp, step, config)
    with _sentences():
        recorded, moment = _recorded(reading, at, instrument)
        several = is_day(moment) and recorded.timeframe.intraday
        bars = recorded.of_day(moment, tz) if several else [recorded.at(moment, tz)]
        lines = [line for asked in bars for line in _lines(asked)]
    told = pd.DataFrame(lines, columns=list(LINES))
    return told.assign(
        bar_close=pd.to_datetime(told.bar_close, utc=True).astype("datetime64[ns, UTC]"),
        measured=told.measured.astype("float64"),
        holds=told.holds.astype("bool"),
    )


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture of bars; a notebook displays it automatically."""

    picture: Picture

    def _repr_png_(self) -> bytes:
        return self._drawn("png")

    def save(self, path: str | Path) -> None:
        """Write it to a .png or .svg file, by its name; ValueError with one sentence if that fails."""
        with _sentences():
            target = Path(path)
            output.write_whole(target, self._drawn(format_of(target)))

    def _drawn(self, kind: Literal["png", "svg"]) -> bytes:
        from scanner.present.chart.chart import draw  # noqa: PLC0415 - brings the drawing library

        return draw(self.picture, kind)


def chart(
    frame: pd.DataFrame,
    at: str | date | np.datetime64,
    *,
    instrument: str | None = None,
    timeframe: str | None = None,
    calendar: str = "none",
    tz: str = "UTC",
    stamp: Literal["open", "close"] = "open",
    step: Decimal | float | str | None = None,
    config: str | Path | None = None,
) -> Chart:
    """Draw the bars up to one, with the setup at that bar and its levels: the picture of ``closewatch chart``.

    Arguments and errors are as for ``explain_bar``, except that a day with several bars means the first of them.
    Times in the picture are in ``tz``.

    >>> days = pd.date_range("2024-01-01", periods=300)
    >>> prices = [10.0 + number % 7 for number in range(300)]  # invented
    >>> dull = pd.DataFrame(dict.fromkeys(("Open", "High", "Low", "Close"), prices), index=days)
    >>> len(chart(dull, "2024-10-01").picture)
    72
    """
    reading = _reading(frame, timeframe, calendar, tz, stamp, step, config)
    with _sentences():
        recorded, moment = _recorded(reading, at, instrument)
        return Chart(picture_at(recorded.at(moment, tz), tz))


def _reading(
    frame: pd.DataFrame,
    timeframe: str | None,
    calendar: str,
    tz: str,
    stamp: Literal["open", "close"],
    step: Decimal | float | str | None,
    config: str | Path | None,
) -> Reading:
    if not isinstance(frame, pd.DataFrame):
        kind, package = type(frame).__name__, type(frame).__module__.partition(".")[0]
        of = "" if package == "builtins" else f" of {package}"
        raise ValueError(f"the bars must be a DataFrame of pandas, not a {kind}{of}")  # noqa: TRY004 - as all else
    if stamp not in {"open", "close"}:
        raise ValueError(f'stamp must be "open" or "close", not {stamp!r}')
    with _sentences():
        known = None if config is None else load(Path(config))
        if known is not None:
            try_own_setups(known)
    reading = Reading(
        tz=tz,
        stamp=stamp,
        calendar=calendar,
        step=None if step is None else _step(step),
        timeframes=() if timeframe is None else (timeframe,),
        settings=known,
        rulebook=Rulebook() if known is None else known.rulebook_of(),
        until=time.time_ns(),
        frames={FRAME: frame},
    )
    return reading if known is None else replace(reading, account=known.account)


def _step(told: Decimal | float | str) -> Decimal:
    try:
        step = Decimal(str(told))
    except InvalidOperation:
        step = Decimal(0)
    if not step.is_finite() or step <= 0:
        raise ValueError(f"step takes a number above 0, not {told!r}")
    return step


@contextmanager
def _sentences() -> Iterator[None]:
    """Raise foreseen errors as ValueError, with options written as in Python."""
    try:
        yield
    except Exception as problem:  # an unforeseen error is raised as it is
        if not isinstance(getattr(problem, "exit_code", None), int):
            raise
        raise ValueError(in_python(str(problem))) from None


def in_python(sentence: str) -> str:
    r"""Write options as the arguments of a call.

    >>> in_python("these look like New York times: --tz America/New_York")
    'these look like New York times: tz="America/New_York"'
    >>> in_python("frame: no column is named close; found \"a\"; say which with --columns close=NAME")
    'frame: no column is named close; found "a"; rename the column that it is'
    """
    sentence = re.sub(
        r"(say which|name the column of times) with --columns (\"[^\"]*\"|\S+)",
        "rename the column that it is",
        sentence,
    )
    return re.sub(r"--(tz|stamp|instrument|at)\b", r"\1", _ADVICE.sub(r'\1="\2"', sentence))


def _warn(tally: Tally) -> None:
    """Warn of what the table does not show."""
    about = []
    for what, reasons in (("refused", tally.refused), ("noted", tally.noted)):
        if reasons:
            about.append(f"{counted(reasons.total(), 'row')} ({by_reason(reasons)}) {what}")
    if tally.held:
        about.append(f"put on hold {counted(tally.held, 'time')}, as after a split")
    about += [f"too few bars ({each})" for each in tally.unready]
    if about:
        warnings.warn(f"{tally.symbol}: {'; '.join(about)}", stacklevel=4)


def _column(parts: Sequence[Any], kind: Kind) -> Any:  # noqa: ANN401 - any type in which pandas holds such values
    """Join the parts of a column."""
    if kind == "text":
        return pd.array(list(chain.from_iterable(parts)), dtype="str")
    values = np.concatenate([np.zeros(0, dtype=TYPES[kind]), *parts])
    return pd.DatetimeIndex(values.view("datetime64[ns]"), tz="UTC") if kind == "moment" else values


def _recorded(reading: Reading, at: str | date | np.datetime64, instrument: str | None) -> tuple[Recorded, str]:
    """Read the frame, and write ``at`` as the option ``--at`` has it.

    For daily bars, midnight (as in their index) means the day.
    """
    if isinstance(at, np.datetime64):
        at = pd.Timestamp(at)
    if not isinstance(at, str | date):
        raise ValueError(f"at must be a text, a date or a datetime, not {at!r}")  # noqa: TRY004 - as all else
    text = at if isinstance(at, str) else at.isoformat()
    recorded = Recorded.read((), reading, text, instrument)
    if not isinstance(at, str) and not recorded.timeframe.intraday and re.search(r"T00:00:00([+-]\d\d:\d\d)?$", text):
        text = text[: len("2024-03-18")]
    return recorded, text


def _lines(asked: OneBar) -> Iterator[tuple[Any, ...]]:
    closed = rfc3339(int(asked.bars.close_time[asked.index]))
    unready = unready_at(asked, reported_at(asked))
    if unready:
        warnings.warn(f"{asked.tally.symbol}: no setup is reported at the bar of {closed} ({unready})", stacklevel=4)
    for found in asked.engine.judge_last():
        for part, measures in _parts(found):
            for name, each in measures.items():
                yield (
                    *(asked.tally.symbol, closed, found.setup.name, found.direction, part, name),
                    *(each["measured"], each["threshold"], each["verdict"], each["text"]),
                )


def _parts(found: Judgement) -> Iterator[tuple[str, dict[str, Any]]]:
    yield "rule", found.rules
    yield "place", found.places
    yield "surrounding", found.surroundings
