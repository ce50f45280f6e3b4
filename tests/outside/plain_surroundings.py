"""The ten surroundings of a setup, read plainly and for the long side.

A surrounding that cannot be judged holds, and has no measured value. If it has several parts, the measured value is
that of the last part that fails, else of the last part.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from tests.outside.plain_indicators import known
from tests.outside.plain_terms import Measured, above, at_most, hair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.outside.plain_indicators import Tape
    from tests.outside.plain_levels import Entry
    from tests.outside.plain_terms import Bar

HOUR = 3_600 * 1_000_000_000
DAY = 24 * HOUR

SLOPE_BARS = 10
ATR_VALUES = 100
LOUD = Decimal("1.15")
MIN_ROOM = Decimal(1)
MAX_COST = Decimal("0.10")
LIQUID_BARS, MAX_MISSING = 20, 1
RANGE_STEPS, RISK_STEPS = 5, 20
SKIP_OPEN = SKIP_CLOSE = 2
DATE_HOURS, DATE_DAYS = 2, 10
PAUSE_GAP = Decimal("0.5")
MAX_RISK = Decimal(2)

WITH, MIXED, AGAINST = Decimal(1), Decimal(0), Decimal(-1)
NOT_JUDGED = Measured(None, verdict=True)


class Span(NamedTuple):
    """A date of the user's, from ``begin`` to ``end`` (nanoseconds)."""

    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is known of a series besides its prices; by default daily bars with nothing else known.

    ``opens`` and ``closes`` are the times of the bars in nanoseconds. ``sessions`` has the opening times of all bars
    due, by session, None if unknown; ``never_closes`` says that sessions follow one another without a break.
    ``session_of`` has the number of each bar's session, None for bars of a day and longer. ``costs`` are those of both
    ways together: (amount, unit), with the unit «price», «%» of the entry or «money» for one unit. ``point_value`` is
    the money for one point. ``coarse`` are the bars of the next coarser timeframe followed, and ``coarse_closes`` their
    closing times.
    """

    opens: Sequence[int] = ()
    closes: Sequence[int] = ()
    intraday: bool = False
    sessions: Sequence[Sequence[int]] | None = None
    never_closes: bool = False
    session_of: Sequence[int] | None = None
    costs: Sequence[tuple[Decimal, str]] = ()
    point_value: Decimal = Decimal(1)
    min_turnover: Decimal | None = None
    dates: Sequence[Span] | None = None
    coarse: Sequence[Bar] | None = None
    coarse_closes: Sequence[int] = ()
    required: Sequence[str] = field(default=("liquid", "cost"))


def surroundings(
    tape: Tape,
    t: int,
    bars: int,
    step: Decimal,
    entry: Entry | None,
    known_of: Circumstances,
    coarse: Tape | None = None,
) -> dict[str, Measured]:
    """Judge all ten for a setup of the ``bars`` bars up to t.

    ``entry`` is the one that is followed, and ``coarse`` the coarser timeframe from the same side.
    """
    leaning = trend(tape, t)
    return {
        "trend": Measured(leaning, leaning != AGAINST),
        "coarser": coarser(coarse, t, known_of),
        "volatility": volatility(tape, t),
        "room": room(entry),
        "cost": cost(entry, known_of),
        "liquid": liquid(tape, t, bars, step, entry, known_of),
        "hours": hours(t, bars, known_of),
        "dates": dates(t, known_of),
        "gap": gap(tape, t, bars),
        "risk_size": risk_size(tape, t, entry),
    }


def set_aside(judged: dict[str, Measured], known_of: Circumstances) -> list[str]:
    """Name the required surroundings that fail."""
    return [name for name in judged if name in known_of.required and not judged[name].verdict]


def trend(tape: Tape, t: int) -> Decimal:
    """Judge the trend: whether the close, the slow average, and that average ten bars earlier are in order."""
    slow, earlier = tape.slow[t], tape.slow[t - SLOPE_BARS]
    if slow is None or earlier is None:
        return MIXED
    close, tie = tape.bars[t].close, hair(tape.bars[t].close)
    if above(close, slow, tie) and above(slow, earlier, tie):
        return WITH
    return AGAINST if above(slow, close, tie) and above(earlier, slow, tie) else MIXED


def coarser(tape: Tape | None, t: int, known_of: Circumstances) -> Measured:
    """Say whether the last coarser bar closed by t agrees: its close and the slope of its fast average."""
    if tape is None:
        return NOT_JUDGED
    last = sum(close <= known_of.closes[t] for close in known_of.coarse_closes) - 1
    if last < SLOPE_BARS or tape.fast[last] is None or tape.fast[last - SLOPE_BARS] is None:
        return NOT_JUDGED
    close, fast, earlier = tape.bars[last].close, known(tape.fast[last]), known(tape.fast[last - SLOPE_BARS])
    tie = hair(close)
    leaning = MIXED
    if above(close, fast, tie) and above(fast, earlier, tie):
        leaning = WITH
    elif above(fast, close, tie) and above(earlier, fast, tie):
        leaning = AGAINST
    return Measured(leaning, leaning != AGAINST)


def volatility(tape: Tape, t: int) -> Measured:
    values = tape.atr[t - ATR_VALUES + 1 : t + 1]
    if t - ATR_VALUES + 1 < 0 or values[0] is None:
        return NOT_JUDGED
    mean = sum(map(known, values), Decimal(0)) / ATR_VALUES
    if not mean:
        return NOT_JUDGED
    return Measured(known(values[-1]) / mean, at_most(known(values[-1]), LOUD * mean, hair(mean)))


def room(entry: Entry | None) -> Measured:
    if entry is None or entry.room is None:
        return NOT_JUDGED
    return Measured(entry.room, entry.room >= MIN_ROOM)


def cost(entry: Entry | None, known_of: Circumstances) -> Measured:
    if entry is None or not entry.plannable or not known_of.costs:
        return NOT_JUDGED
    in_price = {"price": Decimal(1), "%": abs(entry.price) / 100, "money": 1 / known_of.point_value}
    paid = sum((amount * in_price[unit] for amount, unit in known_of.costs), Decimal(0))
    return Measured(paid / entry.risk, at_most(paid, MAX_COST * entry.risk, hair(entry.price)))


def liquid(tape: Tape, t: int, bars: int, step: Decimal, entry: Entry | None, known_of: Circumstances) -> Measured:
    """Judge four parts: the setup's smallest bar, R, traded bars, and the turnover if one is required."""
    last_bars = tape.bars[max(t - LIQUID_BARS + 1, 0) : t + 1]
    present, missing = list(last_bars), 0
    if known_of.sessions is not None:
        due = [open_ for session in known_of.sessions for open_ in session if open_ <= known_of.opens[t]]
        due = due[-LIQUID_BARS:]
        numbers = {open_: number for number, open_ in enumerate(known_of.opens)}
        present = [tape.bars[numbers[open_]] for open_ in due if open_ in numbers]
        missing = len(due) - len(present)
    has_volume = any(bar.volume for bar in present)

    tie = hair(tape.bars[t].close)
    smallest = min(bar.range for bar in tape.bars[t - bars + 1 : t + 1])
    parts = [Measured(smallest / step, at_most(RANGE_STEPS * step, smallest, tie))]
    if entry is not None and entry.plannable:
        parts.append(Measured(entry.risk / step, entry.risk >= RISK_STEPS * step))
    if has_volume or known_of.sessions is not None:
        lacking = missing + sum(not bar.volume for bar in present if has_volume)
        parts.append(Measured(Decimal(lacking), lacking <= MAX_MISSING))
    if known_of.min_turnover is not None and has_volume:
        turnover = median(abs(bar.close) * (bar.volume or 0) for bar in last_bars) * known_of.point_value
        parts.append(Measured(turnover, turnover >= known_of.min_turnover))
    return last_failing(parts)


def hours(t: int, bars: int, known_of: Circumstances) -> Measured:
    """Judge three parts: all bars in one session, enough of its bars before, and enough after."""
    if known_of.sessions is None or not known_of.intraday or known_of.never_closes:
        return NOT_JUDGED
    numbers = {
        open_: (day, number, len(session) - 1 - number)
        for day, session in enumerate(known_of.sessions)
        for number, open_ in enumerate(session)
    }
    stand = [numbers[known_of.opens[i]] for i in range(t - bars + 1, t + 1)]
    sessions, before, after = len({day for day, _, _ in stand}), stand[0][1], stand[-1][2]
    return last_failing(
        [
            Measured(Decimal(sessions), sessions == 1),
            Measured(Decimal(before), before >= SKIP_OPEN),
            Measured(Decimal(after), after >= SKIP_CLOSE),
        ]
    )


def dates(t: int, known_of: Circumstances) -> Measured:
    """Measure the distance of the nearest date from the close of t, in hours, or days for daily bars."""
    if not known_of.dates:
        return NOT_JUDGED
    now = known_of.closes[t]
    away = min(max(date.begin - now, now - date.end, 0) for date in known_of.dates)
    unit, least = (HOUR, DATE_HOURS) if known_of.intraday else (DAY, DATE_DAYS)
    return Measured(Decimal(away) / unit, away > least * unit)


def gap(tape: Tape, t: int, bars: int) -> Measured:
    if bars == 1:
        return NOT_JUDGED
    widest = max(abs(tape.bars[i].open - tape.bars[i - 1].close) for i in range(t - bars + 2, t + 1))
    return in_atr(tape, t, widest, PAUSE_GAP)


def risk_size(tape: Tape, t: int, entry: Entry | None) -> Measured:
    if entry is None or not entry.plannable:
        return NOT_JUDGED
    return in_atr(tape, t, entry.risk, MAX_RISK)


def in_atr(tape: Tape, t: int, distance: Decimal, most: Decimal) -> Measured:
    atr = known(tape.atr[t])
    if not atr:
        return NOT_JUDGED
    return Measured(distance / atr, at_most(distance, most * atr, hair(tape.bars[t].close)))


def last_failing(parts: Sequence[Measured]) -> Measured:
    return next((part for part in reversed(parts) if not part.verdict), parts[-1])
