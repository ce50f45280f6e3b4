"""The guard: looks at every row of a feed, refuses what cannot be a bar, and notes what looks odd. It mends nothing."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from scanner.market.bars import NO_TIME, Bars

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from scanner.market.bars import RawBars
    from scanner.market.sessions import Timetable

Reason = Literal[
    "unreadable time",
    "unreadable price",
    "infinite price",
    "high below low",
    "outside its range",
    "impossible volume",
    "misaligned time",
    "repeated time",
    "backward time",
    "missing bars",
    "no trade",
]

NOTED: frozenset[str] = frozenset({"missing bars", "no trade"})
"""Reasons for which a row is only noted; for every other one it is refused."""

NOTES_KEPT = 1_000
"""Notes kept for each reason and call; beyond them rows are counted."""

HOUR = 3_600 * 1_000_000_000


@dataclass(frozen=True, slots=True)
class Note:
    """What the guard has to say of one row; ``text`` is one clause that says what is wrong with it."""

    source: str
    row: int
    reason: Reason
    text: str
    refused: bool


@dataclass(frozen=True, slots=True)
class Checked:
    """What is left of rows: bars in order, notes, and how many rows (or bars, where missing) each reason met."""

    bars: Bars
    notes: list[Note]
    counts: Counter[str]


def _written(moment: int) -> str:
    return datetime.fromtimestamp(moment // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class _Findings:
    """Collects notes, at most so many for each reason, and counts them all."""

    def __init__(self, raw: RawBars) -> None:
        self.raw = raw
        self.notes: list[Note] = []
        self.counts: Counter[str] = Counter()
        self.refused = np.zeros(len(raw), dtype=np.bool_)

    def note(
        self, reason: Reason, where: NDArray[Any], say: str | Callable[[int], str], count: int | None = None
    ) -> None:
        """Note the rows at the indices ``where``; ``say`` is what to say, or how to find that for an index."""
        refused = reason not in NOTED
        if refused:
            self.refused[where] = True
        self.counts[reason] += len(where) if count is None else count
        for index in where[:NOTES_KEPT].tolist():
            text = say if isinstance(say, str) else say(index)
            self.notes.append(Note(self.raw.source, int(self.raw.row[index]), reason, text, refused))


class Guard:
    """Looks at the rows of one series as they come, in chunks of any size."""

    def __init__(self, timetable: Timetable) -> None:
        self.timetable = timetable
        self._last: tuple[int, int] | None = None  # open and close time of the last bar taken
        self._last_prices: tuple[float, ...] = ()
        self._phase: int | None = None

    def snapshot(self) -> bytes:
        """Give what the guard must remember to go on in a later run."""
        if self._last is None:
            return b""
        times = np.array([*self._last, self._phase or 0], dtype=np.int64)
        return times.tobytes() + np.array(self._last_prices).tobytes()

    def restore(self, snapshot: bytes) -> None:
        """Become the guard that gave ``snapshot``."""
        if not snapshot:
            self._last = self._phase = None
            return
        times, prices = np.frombuffer(snapshot[:24], dtype=np.int64), np.frombuffer(snapshot[24:])
        self._last, self._last_prices = (int(times[0]), int(times[1])), tuple(map(float, prices))
        self._phase = int(times[2])

    def check(self, raw: RawBars) -> Checked:
        """Look at rows in the order sent and give the bars among them."""
        found = _Findings(raw)
        self._check_numbers(raw, found)
        opens, closes = self._check_times(raw, found)
        good = np.flatnonzero(~found.refused)
        good = self._check_order(raw, found, opens, closes, good)
        bars = Bars(
            opens[good], closes[good], raw.open[good], raw.high[good], raw.low[good], raw.close[good], raw.volume[good]
        )
        self._note_oddities(bars, found, good)
        if len(bars):
            self._last = int(bars.open_time[-1]), int(bars.close_time[-1])
            self._last_prices = tuple(float(column[-1]) for column in (bars.open, bars.high, bars.low, bars.close))
        found.notes.sort(key=lambda note: note.row)
        return Checked(bars, found.notes, found.counts)

    @staticmethod
    def _check_numbers(raw: RawBars, found: _Findings) -> None:
        """Refuse rows whose prices cannot be those of a bar. A negative price is a price."""
        low_end, high_end = np.minimum(raw.open, raw.close), np.maximum(raw.open, raw.close)
        # Few comparisons find nearly every bar right: NaN fails them all.
        sound = (raw.low <= low_end) & (high_end <= raw.high) & (raw.low > -np.inf) & (raw.high < np.inf)
        sound &= ~((raw.volume < 0) | (raw.volume == np.inf))
        rest = np.flatnonzero(~sound)
        if not len(rest):
            return
        prices = np.stack([raw.open[rest], raw.high[rest], raw.low[rest], raw.close[rest]])
        unreadable, infinite = np.logical_or.reduce(np.isnan(prices)), np.logical_or.reduce(np.isinf(prices))
        upside_down = raw.high[rest] < raw.low[rest]
        outside = (raw.low[rest] > low_end[rest]) | (high_end[rest] > raw.high[rest])
        volume: NDArray[np.bool_] = (raw.volume[rest] < 0) | (raw.volume[rest] == np.inf)

        def cell(index: int) -> str:
            return f"a price is missing or no number ({raw.unreadable.get(int(raw.row[index]), 'NaN')})"

        def prices_of(index: int) -> str:
            return (
                f"open {raw.open[index]:.10g}, high {raw.high[index]:.10g}, "
                f"low {raw.low[index]:.10g}, close {raw.close[index]:.10g}"
            )

        left = np.ones(len(rest), dtype=np.bool_)
        checks: tuple[tuple[Reason, NDArray[np.bool_], Callable[[int], str]], ...] = (
            ("unreadable price", unreadable, cell),
            ("infinite price", infinite, lambda index: f"a price is infinite: {prices_of(index)}"),
            ("high below low", upside_down, lambda index: f"the high is below the low: {prices_of(index)}"),
            ("outside its range", outside, lambda index: f"open or close is outside the range: {prices_of(index)}"),
            ("impossible volume", volume, lambda index: f"the volume is {raw.volume[index]:.10g}"),
        )
        for reason, mask, say in checks:
            where = rest[left & mask]
            left &= ~mask
            if len(where):
                found.note(reason, where, say)

    def _check_times(self, raw: RawBars, found: _Findings) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Refuse rows whose time cannot be read or is no place for a bar; give open and close times of the rest."""
        unreadable = raw.stamp == NO_TIME
        stamps = raw.stamp
        if unreadable.any():
            found.note(
                "unreadable time",
                np.flatnonzero(unreadable & ~found.refused),
                lambda index: f"the time is missing or cannot be read ({raw.unreadable.get(int(raw.row[index]), '')})",
            )
            found.refused |= unreadable
            readable = stamps[~unreadable]
            stamps = np.where(unreadable, readable[0] if len(readable) else 0, stamps)
        opens, closes, aligned = self.timetable.spans(stamps, raw.stamp_kind)
        timeframe, calendar = self.timetable.timeframe, self.timetable.calendar
        grid = "one another"
        if calendar.known:
            grid = f"the sessions of {calendar.name}"
        elif raw.stamp_kind != "date":
            usual = min(timeframe.nanoseconds, HOUR)
            candidates = np.flatnonzero(~found.refused)
            if self._phase is None and len(candidates):
                self._phase = int(opens[candidates[0]] % usual)
            aligned &= opens % usual == (self._phase or 0)
        astray = np.flatnonzero(~aligned & ~found.refused)
        if len(astray):
            found.note(
                "misaligned time",
                astray,
                lambda index: (
                    f"no {timeframe.name} bar has the time {_written(int(raw.stamp[index]))}, going by {grid}"
                ),
            )
        return opens, closes

    def _check_order(
        self,
        raw: RawBars,
        found: _Findings,
        opens: NDArray[np.int64],
        closes: NDArray[np.int64],
        good: NDArray[np.intp],
    ) -> NDArray[np.intp]:
        """Refuse rows that do not come after the last one taken; give the indices of those that do."""
        if not len(good):
            return good
        last_open, last_close = self._last or (NO_TIME, NO_TIME)
        begun = np.concatenate([[last_open], np.maximum.accumulate(np.maximum(opens[good], last_open))[:-1]])
        later = opens[good] > begun
        ended = np.concatenate([[last_close], closes[good][:-1]])
        if later.all() and (opens[good] >= ended).all():
            return good
        taken = []
        held, held_prices = self._last, self._last_prices
        repeated, other, backward, overlapping = [], set(), [], []
        for index in good.tolist():
            prices = tuple(float(column[index]) for column in (raw.open, raw.high, raw.low, raw.close))
            if held is None or opens[index] >= held[1]:
                held, held_prices = (int(opens[index]), int(closes[index])), prices
                taken.append(index)
            elif opens[index] == held[0]:
                repeated.append(index)
                if prices != held_prices:
                    other.add(index)
            elif opens[index] < held[0]:
                backward.append(index)
            else:
                overlapping.append(index)
        checks: tuple[tuple[Reason, list[int], Callable[[int], str]], ...] = (
            (
                "repeated time",
                repeated,
                lambda index: (
                    f"the time {_written(int(raw.stamp[index]))} was given before, with "
                    + ("other prices" if index in other else "the same prices")
                ),
            ),
            ("backward time", backward, lambda index: f"the time {_written(int(raw.stamp[index]))} goes back"),
            (
                "misaligned time",
                overlapping,
                lambda index: f"the bar of {_written(int(raw.stamp[index]))} begins before the last one ends",
            ),
        )
        for reason, where, say in checks:
            if where:
                found.note(reason, np.array(where), say)
        return np.array(taken, dtype=np.intp)

    def _note_oddities(self, bars: Bars, found: _Findings, good: NDArray[np.intp]) -> None:
        """Note bars before which others are missing, and bars without any trade."""
        if not len(bars):
            return
        idle = np.flatnonzero((bars.high == bars.low) & (bars.volume == 0))
        if len(idle):
            found.note("no trade", good[idle], "no trade: neither range nor volume")
        before = [] if self._last is None else [self._last[0]]
        missing = self.timetable.missing_before(np.concatenate([np.array(before, dtype=np.int64), bars.open_time]))
        gaps = np.flatnonzero(missing > 0)
        if len(gaps):
            lacking = dict(zip(good[gaps + 1 - len(before)].tolist(), missing[gaps].tolist(), strict=True))
            found.note(
                "missing bars",
                np.array(list(lacking)),
                lambda index: f"{lacking[index]} bar(s) missing before {_written(int(found.raw.stamp[index]))}",
                count=int(missing[gaps].sum()),
            )
