"""The guard: checks every row of a feed, refuses what cannot be a bar, and notes what looks odd. It repairs nothing."""

from __future__ import annotations

import struct
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isnan, nan
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np

from scanner.clocks import DAY, SECOND
from scanner.market.bars import NO_BARS, NO_TIME, Bars
from scanner.market.numbers import NumberReason, number_faults
from scanner.market.order import RowOrder
from scanner.market.unusual import EVERYTHING, JUMP, JUMPS, NUMBERS, SEAMS, STILL, VOLUMES, unusual

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from scanner.market.bars import RawBars, StampKind
    from scanner.market.sessions.timetables import Timetable

Reason = Literal[
    NumberReason,
    "unreadable time",
    "misaligned time",
    "repeated time",
    "backward time",
    "jump in time",
    "not ended",
    "bad tick",
    "suspected bad tick",
    "missing bars",
    "no trade",
    "unreadable volume",
    "missing volume",
    "price jump",
]

NOTED: frozenset[str] = frozenset(
    {"suspected bad tick", "missing bars", "no trade", "unreadable volume", "missing volume", "price jump"}
)
"""Reasons for which a row is only noted; for every other reason it is refused."""

NOTES_KEPT = 1_000
"""Notes kept for each reason and call; further rows are only counted."""

RANGES = 3.0
"""A price jumps only if it is farther away than this many times the range before it, and its own range or body."""

STATE = struct.Struct("<qqqqq?5d")
"""A snapshot: the last bar's open and close time, a jump's open time, phase and rival phase, whether the phase is sure,
and the last bar's prices and volume."""
NO_PHASE = -1


@dataclass(frozen=True, slots=True)
class Note:
    """A note about one row; ``text`` is a clause that says what is wrong with it."""

    source: str
    row: int
    reason: Reason
    text: str
    refused: bool


@dataclass(frozen=True, slots=True)
class Checked:
    """The result of a check: bars in order, notes, and how many rows (or missing bars) each reason applies to.

    ``rows`` are the row numbers of the bars, and ``source`` is where they are from.
    """

    bars: Bars
    notes: list[Note]
    counts: Counter[str]
    rows: NDArray[np.int64]
    source: str


class Sieve(Protocol):
    """Removes bars that look like bad ticks."""

    def sift(self, bars: Bars, known: NDArray[np.bool_]) -> dict[int, str]:
        """Say which bars to remove, and what is odd about each; ``known`` bars are never removed."""

    def snapshot(self) -> bytes:
        """Give what must be remembered to go on in a later run."""

    def restore(self, snapshot: bytes) -> None:
        """Become the sieve that gave ``snapshot``."""


def _written(moment: int) -> str:
    return datetime.fromtimestamp(moment // SECOND, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class _Findings:
    """Collects notes, a limited number for each reason, and counts them all."""

    def __init__(self, raw: RawBars) -> None:
        self.raw = raw
        self.notes: list[Note] = []
        self.counts: Counter[str] = Counter()
        self.refused = np.zeros(len(raw), dtype=np.bool_)
        self.any_refused = False

    @property
    def good(self) -> NDArray[np.intp]:
        """The indices of the rows that are not refused."""
        return np.flatnonzero(~self.refused)

    def note(
        self, reason: Reason, where: NDArray[Any], say: str | Callable[[int], str], count: int | None = None
    ) -> None:
        """Note the rows at the indices ``where``; ``say`` is the text, or a function that gives it for an index."""
        refused = reason not in NOTED
        if refused:
            self.refused[where] = True
            self.any_refused = True
        self.counts[reason] += len(where) if count is None else count
        for index in where[:NOTES_KEPT].tolist():
            text = say if isinstance(say, str) else say(index)
            self.notes.append(Note(self.raw.source, int(self.raw.row[index]), reason, text, refused))


def _row(raw: RawBars, index: int) -> tuple[float, float, float, float, float]:
    """Give the prices and volume of a row."""
    return (
        raw.open.item(index),
        raw.high.item(index),
        raw.low.item(index),
        raw.close.item(index),
        raw.volume.item(index),
    )


class Guard:
    """Looks at the rows of one series as they come, in chunks of any size."""

    __slots__ = ("_last_row", "_order", "_phase", "_phase_sure", "_rival_phase", "_sieve", "timetable", "until")

    def __init__(self, timetable: Timetable, until: int | None = None, sieve: Sieve | None = None) -> None:
        """Take bars that have ended by ``until``, in nanoseconds since 1970 UTC, or all; a ``sieve`` removes some."""
        self.timetable = timetable
        self.until = until
        self._sieve = sieve
        self._order = RowOrder()
        self._last_row: tuple[float, ...] = (nan,) * 5  # prices and volume of the last bar taken
        # If sessions are unknown: how long after a whole hour (or a whole timeframe, if shorter) bars begin.
        # The first bar sets it; it is sure once another agrees, and two others can overrule it.
        self._phase = self._rival_phase = NO_PHASE
        self._phase_sure = False

    @property
    def phase(self) -> int:
        """How long after a whole hour bars begin if sessions are unknown; −1 as long as that is not sure."""
        return self._phase if self._phase_sure else NO_PHASE

    @property
    def takes_all(self) -> bool:
        """Whether it takes every sound bar that follows the last one: it has no sieve, and no end."""
        return self._sieve is None and self.until is None

    def follow(self, open_time: int, close_time: int, prices: tuple[float, ...]) -> None:
        """Advance by a sound bar that follows the last one and needs no check; ``prices`` are its five columns."""
        self._order.last, self._order.ahead, self._last_row = (open_time, close_time), None, prices

    def snapshot(self) -> bytes:
        """Give what the guard must remember to go on in a later run."""
        last_open, last_close = self._order.last or (NO_TIME, NO_TIME)
        ahead = NO_TIME if self._order.ahead is None else self._order.ahead
        phases = self._phase, self._rival_phase, self._phase_sure
        sieve = b"" if self._sieve is None else self._sieve.snapshot()
        return STATE.pack(last_open, last_close, ahead, *phases, *self._last_row) + sieve

    def restore(self, snapshot: bytes) -> None:
        """Become the guard that gave ``snapshot``; ValueError if none did."""
        own, rest = snapshot[: STATE.size], snapshot[STATE.size :]
        if len(own) != STATE.size or bool(rest) != (self._sieve is not None):
            raise ValueError(
                f"the state of a guard has {STATE.size} bytes and those of its sieve, if any, not {len(snapshot)}"
            )
        last_open, last_close, ahead, self._phase, self._rival_phase, self._phase_sure, *row = STATE.unpack(own)
        last = None if last_open == NO_TIME else (last_open, last_close)
        self._order = RowOrder(last, None if ahead == NO_TIME else ahead)
        self._last_row = tuple(row)
        if self._sieve is not None:
            self._sieve.restore(rest)

    def check(self, raw: RawBars, known: Bars | None = None) -> Checked:
        """Check rows in the order sent and give the bars among them.

        A sieve does not remove ``known`` bars, which were taken before.
        """
        if not len(raw):
            return Checked(NO_BARS, [], Counter(), raw.row, raw.source)
        found = _Findings(raw)
        before = self._order.last
        opens, closes, aligned = self.timetable.spans(raw.stamp, raw.stamp_kind)
        odd = unusual(raw, opens, closes, before, self._last_row)
        if odd & NUMBERS:
            for reason, where, say in number_faults(raw):
                found.note(reason, where, say)
        self._check_times(raw, found, opens, closes, aligned, odd)
        self._check_ended(raw, found, closes, odd)
        self._check_order(raw, found, opens, closes, odd)
        columns = (opens, closes, raw.open, raw.high, raw.low, raw.close, raw.volume)
        if found.any_refused:
            odd = EVERYTHING
            columns = tuple(column[~found.refused] for column in columns)  # type: ignore[assignment]  # seven
        bars, rows = Bars(*columns), raw.row[~found.refused] if found.any_refused else raw.row
        if len(bars):
            if odd or found.raw.unreadable:
                self._note_oddities(bars, found, before, odd)
            self._last_row = tuple(float(column[-1]) for column in bars.columns()[2:])
        if self._sieve is not None:
            bars, rows = self._sifted(self._sieve, bars, found, known)
        found.notes.sort(key=lambda note: note.row)
        return Checked(bars, found.notes, found.counts, rows, raw.source)

    def _sifted(self, sieve: Sieve, bars: Bars, found: _Findings, known: Bars | None) -> tuple[Bars, NDArray[np.int64]]:
        """Refuse the rows that the sieve removes; returns the remaining bars and their row numbers."""
        good = found.good
        before = np.zeros(len(bars), dtype=np.bool_) if known is None else np.isin(bars.open_time, known.open_time)
        told = {int(good[index]): text for index, text in sieve.sift(bars, before).items()}
        if not told:
            return bars, found.raw.row[good]
        taken_out = np.array(list(told))
        found.note("bad tick", taken_out, lambda index: f"it looks like a bad tick and is left out: {told[index]}")
        left = np.flatnonzero(~np.isin(good, taken_out))
        return bars[left], found.raw.row[good[left]]

    def _check_times(
        self,
        raw: RawBars,
        found: _Findings,
        opens: NDArray[np.int64],
        closes: NDArray[np.int64],
        aligned: NDArray[np.bool_],
        odd: int,
    ) -> None:
        """Refuse rows whose time cannot be read or cannot be that of a bar."""
        if not aligned.all() and (unreadable := raw.stamp == NO_TIME).any():
            found.note(
                "unreadable time",
                np.flatnonzero(unreadable & ~found.refused),
                lambda index: f"the time is missing or cannot be read ({raw.unreadable.get(int(raw.row[index]), '')})",
            )
            found.refused |= unreadable
        if not self.timetable.calendar.known and raw.stamp_kind != "date":
            # Bars that follow one another have the same phase: few divisions settle all.
            begin = np.append(0, np.flatnonzero(opens[1:] != closes[:-1]) + 1) if odd & SEAMS else np.zeros(1, np.intp)
            phases = opens[begin] % self.timetable.longest_phase
            if not (self._phase_sure and (phases == self._phase).all()):
                phases = np.repeat(phases, np.diff(np.append(begin, len(opens))))
                aligned &= self._in_phase(phases, aligned & ~found.refused)
        if not aligned.all() and len(astray := np.flatnonzero(~aligned & ~found.refused)):
            found.note(
                "misaligned time",
                astray,
                lambda index: self._misplaced(int(raw.stamp[index]), raw.stamp_kind),
            )

    def _misplaced(self, stamp: int, kind: StampKind) -> str:
        """Say that no bar can have a time, and where its days begin if that may be why."""
        timeframe, calendar = self.timetable.timeframe, self.timetable.calendar
        text = f"no {timeframe.name} bar can have the time {_written(stamp)}"
        if kind == "date" and stamp % DAY:
            return f"{text}: a date must be midnight UTC"
        if calendar.days_begin and kind != "date" and not timeframe.intraday:
            return (
                f"{text}: its days are said to begin at {calendar.days_begin}; give the zone in which they begin, its "
                "calendar, or that its times are dates"
            )
        return text + (f" in the sessions of {calendar.name}" if calendar.known else " beside the others")

    def _in_phase(self, phases: NDArray[np.int64], asked: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Say which rows begin where the bars of the series do; ``asked`` are the rows that may settle where."""
        fits = np.zeros(len(phases), dtype=np.bool_)
        start = 0
        if not self._phase_sure:
            for index in map(int, np.flatnonzero(asked)):  # two nearly always settle it
                phase, start = int(phases[index]), index + 1
                self._phase_sure = phase in {self._phase, self._rival_phase}
                if self._phase == NO_PHASE or self._phase_sure:
                    self._phase, fits[index] = phase, True
                else:
                    self._rival_phase = phase
                if self._phase_sure:
                    break
        fits[start:] = phases[start:] == self._phase
        return fits

    def _check_ended(self, raw: RawBars, found: _Findings, closes: NDArray[np.int64], odd: int) -> None:
        """Leave out unfinished bars: their final values are not known yet."""
        until = self.until
        if until is None or (closes.max() if odd & SEAMS else closes[-1]) <= until:
            return
        if len(open_still := np.flatnonzero((closes > until) & ~found.refused)):
            found.note(
                "not ended",
                open_still,
                lambda index: (
                    f"the bar of {_written(int(raw.stamp[index]))} ends at {_written(int(closes[index]))}, which is "
                    f"after {_written(until)}; left out"
                ),
            )

    def _check_order(
        self, raw: RawBars, found: _Findings, opens: NDArray[np.int64], closes: NDArray[np.int64], odd: int
    ) -> None:
        """Refuse rows that are not later than the last one taken."""
        if not (found.any_refused or odd & SEAMS):
            self._order = RowOrder((int(opens[-1]), int(closes[-1])))
            return
        good = found.good
        if found.any_refused:
            opens, closes = opens[good], closes[good]
        faults = self._order.take(opens, closes)
        if not faults:
            return
        held = {int(good[fault.position]): fault.held for fault in faults}
        weeks = ""
        if self.timetable.timeframe.name == "1w" and not self.timetable.calendar.known:
            weeks = "; where weeks begin on different days, say in which calendar (--calendar)"

        def time(index: int) -> str:
            return _written(int(raw.stamp[index]))

        def repeated(index: int) -> str:
            earlier = self._last_row if held[index] < 0 else _row(raw, int(good[held[index]]))
            same = np.array_equal(earlier, _row(raw, index), equal_nan=True)
            return f"the time {time(index)} was given before, with {'the same' if same else 'other'} prices and volume"

        checks: tuple[tuple[str, Reason, Callable[[int], str]], ...] = (
            ("repeated", "repeated time", repeated),
            ("backward", "backward time", lambda index: f"the time {time(index)} is before that of the last bar"),
            (
                "overlapping",
                "misaligned time",
                lambda index: f"the bar of {time(index)} begins before the last one ends{weeks}",
            ),
            (
                "ahead",
                "jump in time",
                lambda index: f"the time {time(index)} is more than a year after the last bar",
            ),
        )
        for disorder, reason, say in checks:
            where = good[[fault.position for fault in faults if fault.disorder == disorder]]
            if len(where):
                found.note(reason, where, say)

    def _note_oddities(self, bars: Bars, found: _Findings, before: tuple[int, int] | None, odd: int) -> None:
        """Note bars before which others are missing, those without any trade or volume, and jumps in price.

        ``before`` is the bar before them, and ``odd`` says what may be unusual; see ``unusual``.
        """
        good = found.good
        if odd & VOLUMES or found.raw.unreadable:
            self._note_volumes(bars, found, good)
        if odd & JUMPS:
            self._note_jumps(bars, found, good)
        if odd & STILL and len(idle := np.flatnonzero((bars.high == bars.low) & (bars.volume == 0))):
            found.note("no trade", good[idle], "no trade: neither range nor volume")
        if odd & SEAMS and self.timetable.calendar.known:
            self._note_missing(bars, found, good, before)

    def _note_missing(
        self, bars: Bars, found: _Findings, good: NDArray[np.intp], before: tuple[int, int] | None
    ) -> None:
        """Note bars before which the calendar has others."""
        seams = np.flatnonzero(bars.open_time[1:] != bars.close_time[:-1]) + 1
        earlier_open = bars.open_time[seams - 1]
        if before is not None and bars.open_time[0] != before[1]:
            seams, earlier_open = np.append(0, seams), np.append(before[0], earlier_open)
        pairs = np.stack([earlier_open, bars.open_time[seams]], axis=1).ravel()
        missing = self.timetable.missing_before(pairs)[::2]
        gaps = np.flatnonzero(missing > 0)
        if len(gaps):
            lacking = dict(zip(good[seams[gaps]].tolist(), missing[gaps].tolist(), strict=True))
            found.note(
                "missing bars",
                np.array(list(lacking)),
                lambda index: f"{lacking[index]} bar(s) missing before {_written(int(found.raw.stamp[index]))}",
                count=int(missing[gaps].sum()),
            )

    def _note_volumes(self, bars: Bars, found: _Findings, good: NDArray[np.intp]) -> None:
        """Note bars with an unreadable volume, with none after a bar that has one, and the other way round."""
        without = np.isnan(bars.volume)
        before = np.append(without[0] if isnan(self._last_row[3]) else isnan(self._last_row[-1]), without[:-1])
        if not (without | before).any():
            return
        # The prices and time of a bar that is taken are readable.
        rows = found.raw.row[good].tolist() if found.raw.unreadable else []
        told = np.array([row in found.raw.unreadable for row in rows] or False, dtype=np.bool_) & without
        if told.any():
            found.note(
                "unreadable volume",
                good[told],
                lambda index: f"taken without a volume ({found.raw.unreadable[int(found.raw.row[index])]})",
            )
        changes = np.flatnonzero((without != before) & ~told)
        if len(changes):
            ends = dict(zip(good[changes].tolist(), without[changes].tolist(), strict=True))
            found.note(
                "missing volume",
                good[changes],
                lambda index: "no volume, unlike the bar before" if ends[index] else "a volume, unlike the bar before",
            )

    def _note_jumps(self, bars: Bars, found: _Findings, good: NDArray[np.intp]) -> None:
        """Note bars that open far from the last close, or reach far beyond their own open and close.

        Far is by a factor of ``JUMP``, and by several times the ranges beside it: prices near zero double every day.
        """
        _, last_high, last_low, last_close, _ = self._last_row
        last = np.append(bars.open[0] if isnan(last_close) else last_close, bars.close[:-1])
        # A few comparisons clear nearly every bar.
        least, most = np.minimum(bars.low, last), np.maximum(bars.high, last)
        suspects = np.flatnonzero((least > 0) & (most >= JUMP * least))
        if not len(suspects):
            return
        ranges = np.append(0.0 if isnan(last_close) else last_high - last_low, bars.high - bars.low)
        before, own = ranges[suspects], ranges[suspects + 1]
        first, high, low, end = (column[suspects] for column in (bars.open, bars.high, bars.low, bars.close))
        body = np.abs(end - first)
        sides = (
            ("it opens at {} times the last close", first, last[suspects], own),
            ("its high is {} times its open or close", high, np.maximum(first, end), body),
            ("its low is {} times its open or close", low, np.minimum(first, end), body),
        )
        said: dict[int, str] = {}
        for words, price, other, beside in sides:
            jumps = (price >= JUMP * other) | (other >= JUMP * price)
            jumps &= np.abs(price - other) > RANGES * np.maximum(before, beside)
            for index, ratio in zip(good[suspects[jumps]].tolist(), (price / other)[jumps].tolist(), strict=True):
                said.setdefault(index, words.format(f"{ratio:.3g}"))
        if said:
            found.note("price jump", np.array(sorted(said)), said.__getitem__)
