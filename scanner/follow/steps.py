"""One story over its bars, in compiled code: waiting for its entry, then open, until it ends.

A story is a STORY record. Its prices are a buyer's: for a short they are mirrored, so that every rule is written once.
Each bar is read as by a trader with orders in the market: first its open, then its range; its close decides the state
for the next bar.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.bar_sides import body, closing, extent, highest, lowest, opening, tie
from scanner.analysis.columns import ATR, CLOSE, CROSS, DEEP_HIGH, DEEP_LOW, FAST_AVERAGE, USUAL_BODY
from scanner.compiling import compiled, inlined
from scanner.trade.levels import on_step, stop_behind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

EARLY, BREAK, AVERAGE = range(3)
"""Entry styles."""

(
    WAITING,
    OPEN,
    STOPPED,
    STOPPED_AT_OPEN,
    LEFT,
    LEFT_ON_PRESSURE,
    LAPSED,
    GAPPED,
    OPENED_AT_STOP,
    SPOILED_BY_STOP,
    SPOILED_BY_CROSS,
    SPOILED_BY_OWN,
    LEFT_AFTER_BARS,
    LEFT_AT_CLOSE,
    LEFT_AFTER_CLOSE,
    LEFT_BY_USER,
    BROKEN_OFF,
) = range(17)
"""States; from STOPPED on the story has ended."""

ENGULFED, THROUGH_AVERAGE, THROUGH_LINE, DRIVEN, OTHER_SIDE = 1, 2, 4, 8, 16
SIGNS = 5
ALL_SIGNS = 31
"""Signs of pressure, a bit each."""

ENTERED, SIGN, SIGNAL, SWING, TO_ENTRY, HALF, SOON, ENDED = 1, 2, 4, 8, 16, 32, 64, 128
"""The news of a bar, a bit each: the entry; a new sign of pressure; an exit that is decided, or the first cross back of
a ride; the stop raised under a swing low, or moved to the entry after a gain; half closed; the last bar of the session
is next; the end."""
ALL_NEWS = 255

HAS_NEWS, CAN_GO_ON = 1, 2
"""What is found of a series: a story with news, and one of these that can go on."""

LAST_BUT_ONE, LAST, FIRST, LONG_STANDS, SHORT_STANDS = 1, 2, 4, 8, 16
"""Marks of a bar, a bit each. The first three are its place in the session, if positions must be closed by its end; a
first bar is one whose previous bar is of another session, whether or not bars are missing. The other two are the sides
with a setup at the bar."""

STORY = np.dtype(
    [
        ("sign", np.float64),  # +1 long, −1 short
        ("style", np.int64),
        ("state", np.int64),
        ("begun", np.int64),  # the setup's last bar, counted from the first that the series has seen
        ("next", np.int64),  # the bar it meets next, counted likewise
        ("waited", np.int64),  # bars since the setup without an entry
        ("entry", np.float64),  # price of a break entry
        ("gap", np.float64),  # how far beyond its reference an open may lie
        ("reference", np.float64),  # reference of the open that fills; NaN while none may fill
        ("stop", np.float64),
        ("beyond", np.float64),  # the setup's own spoiler: a price, NaN if there is none
        ("average", np.int64),  # a column, −1 if there is none
        ("closes", np.int64),  # number of closes on the wrong side of either
        ("bars", np.int64),  # and number of bars without an entry, 0 if not counted
        ("line", np.float64),  # the setup's trend line at its last bar; NaN if there is none
        ("slope", np.float64),  # its rise per bar
        ("leaves", np.int64),  # LEFT or LEFT_ON_PRESSURE if the next open is the exit, else 0
        ("signs", np.int64),  # signs of pressure that count: SIGNS bits per bar, the last bar's lowest
        ("first_stop", np.float64),
        ("half", np.float64),  # where half is closed; NaN if it is not
        ("half_exit", np.float64),  # where half was closed; NaN until then
        ("news", np.int64),  # the news of the bar met last
        ("crossed", np.bool_),  # whether the MACD line has crossed back in the position
        ("moved", np.bool_),  # whether the gain for the stop at the entry was reached
        ("fill", np.float64),
        ("exit", np.float64),
        ("best", np.float64),  # extremes since the entry
        ("worst", np.float64),
        ("held", np.int64),  # bars that closed while it was open
        ("entered_at", np.int64),  # close of the bar, nanoseconds since 1970 UTC
        ("ended_at", np.int64),
        ("ride", np.bool_),
        ("filled_at_open", np.bool_),
        ("by_user", np.bool_),  # whether the fill is the user's own
        ("number", np.int64),  # as whoever follows it counts setups
    ]
)


@compiled
def _crossed_back(series: Floats, i: int, sign: float) -> bool:
    """Whether the MACD line was beyond its signal at the bar before, and no longer is."""
    return sign * series[CROSS, i - 1] > 0.0 and sign * series[CROSS, i] <= 0.0


@inlined
def _enter(story: Any, fill: float, at_open: bool, time: int) -> None:
    story.state, story.fill, story.filled_at_open, story.entered_at = OPEN, fill, at_open, time
    story.best, story.worst = fill, fill
    story.news |= ENTERED


@compiled
def _end(story: Any, price: float, time: int) -> None:
    """End a story at a price, NaN for none, in the state that it was given just before.

    The compiler would make a function of its own for each state that is an argument.
    """
    story.exit, story.ended_at = price, time
    story.news |= ENDED
    if not np.isnan(price):
        story.best, story.worst = max(story.best, price), min(story.worst, price)


@compiled
def _try_to_enter(series: Floats, i: int, story: Any, time: int) -> None:
    """Meet the open and the range of a bar with an entry order in the market; an open that voids it ends the story."""
    sign, equal = story.sign, tie(series, i, i)
    start = opening(series, i, sign)
    if np.isnan(story.reference):
        return
    if start > story.reference + story.gap + equal:
        story.state = GAPPED
        _end(story, np.nan, time)
    elif story.style == BREAK:
        if highest(series, i, sign) >= story.entry - equal:
            beyond = start > story.entry + equal
            _enter(story, start if beyond else story.entry, beyond, time)
    elif start <= story.stop + equal:
        story.state = OPENED_AT_STOP
        _end(story, np.nan, time)
    else:
        _enter(story, start, True, time)  # noqa: FBT003 - compiled code takes no names


@compiled
def _close_without_entry(series: Floats, i: int, story: Any, time: int, follow: Any) -> None:
    """Look at the close of a bar without an entry: it may prove the setup wrong, or end the wait."""
    sign, equal = story.sign, tie(series, i, i)
    close = closing(series, i, sign)
    wrong = close < story.beyond - equal
    if story.average >= 0:
        wrong |= close < sign * series[story.average, i] - equal
    story.closes -= wrong
    if close < story.stop - equal:
        story.state = SPOILED_BY_STOP
        _end(story, np.nan, time)
    elif story.closes <= 0 or story.waited == story.bars:
        story.state = SPOILED_BY_OWN
        _end(story, np.nan, time)
    elif _crossed_back(series, i, sign):
        story.state = SPOILED_BY_CROSS
        _end(story, np.nan, time)
    elif story.waited >= follow.max_wait:
        story.state = LAPSED
        _end(story, np.nan, time)
    elif story.style == AVERAGE and close > sign * series[FAST_AVERAGE, i] + equal:
        story.reference = close


@compiled
def _pressure(series: Floats, i: int, story: Any, against: bool, follow: Any) -> int:
    """Give the signs of pressure at the close of a bar."""
    sign, equal = story.sign, tie(series, i - 1, i)
    start, close = opening(series, i, sign), closing(series, i, sign)
    start_before, close_before = opening(series, i - 1, sign), closing(series, i - 1, sign)
    fast, fast_before = sign * series[FAST_AVERAGE, i], sign * series[FAST_AVERAGE, i - 1]
    usual, down = series[USUAL_BODY, i - 1], start - close
    signs = OTHER_SIDE * against
    if close_before > start_before and down > 0.0 and start >= close_before - equal and close <= start_before + equal:
        signs |= ENGULFED
    if close < fast - equal and close_before > fast_before + equal:
        signs |= THROUGH_AVERAGE
    line = story.line + story.slope * (story.next - story.begun)
    if close < line - follow.pressure_line * series[ATR, i] - equal:
        signs |= THROUGH_LINE
    solid = body(series, i) >= follow.drive_solid * extent(series, i) - equal
    if down > 0.0 and down >= follow.drive_min * usual - equal and solid:
        signs |= DRIVEN
    return signs


@compiled
def gathered(signs: int) -> int:
    """Give the different signs among those of several bars."""
    found = 0
    while signs:
        found |= signs & ALL_SIGNS
        signs >>= SIGNS
    return found


@compiled
def _how_many(signs: int) -> int:
    count = 0
    for bit in range(SIGNS):
        count += (signs >> bit) & 1
    return count


@compiled
def _swing_low(deep: Floats, last: int, sign: float, strength: int) -> float:
    """Give the swing low that bar ``last`` of ``deep`` confirms; NaN if it confirms none."""
    lows, j = deep[DEEP_LOW] if sign > 0 else deep[DEEP_HIGH], last - strength
    if j < strength:
        return np.nan
    low = sign * lows[j]
    for k in range(1, strength + 1):
        if not (low < sign * lows[j - k] and low <= sign * lows[j + k]):
            return np.nan
    return low


@compiled
def set_half(story: Any, follow: Any, bands: Floats, units: float) -> None:
    """Set the price at which half is closed, rounded toward the fill to whole steps; none if it is the fill."""
    half = story.fill + follow.half_at * (story.fill - story.first_stop)
    half = story.sign * on_step(story.sign * half, -story.sign, half, bands, units) / units
    story.half = half if follow.half_at > 0.0 and half > story.fill else np.nan


@compiled
def _leave_half(story: Any, price: float) -> None:
    story.half_exit, story.best = price, max(story.best, price)
    story.news |= HALF


@compiled
def _meet(series: Floats, i: int, story: Any, in_session: int, time: int) -> None:
    """Meet the open and the range of a bar with the position open, or opened on it.

    Of a bar with the entry, prices before the entry count too, and the stop counts as reached before any gain.
    """
    sign, equal = story.sign, tie(series, i, i)
    start, waits_for_half = opening(series, i, sign), np.isnan(story.half_exit)
    if story.held > 0 or story.by_user:
        if story.leaves > 0:
            story.state = story.leaves
            _end(story, start, time)
            return
        if in_session & FIRST and story.held > 0:
            story.state = LEFT_AFTER_CLOSE
            _end(story, start, time)
            return
        if start < story.stop - equal:
            story.state = STOPPED_AT_OPEN
            _end(story, start, time)
            return
        if waits_for_half and start >= story.half - equal:
            _leave_half(story, start)
            waits_for_half = False
    if lowest(series, i, sign) <= story.stop + equal:
        story.state = STOPPED
        _end(story, story.stop, time)
        return
    story.best, story.worst = max(story.best, highest(series, i, sign)), min(story.worst, lowest(series, i, sign))
    story.held += 1
    if waits_for_half and highest(series, i, sign) >= story.half - equal:
        _leave_half(story, story.half)


@compiled
def _weigh_pressure(series: Floats, i: int, story: Any, against: bool, follow: Any) -> None:
    """Count the signs of pressure at a close with those of the bars before it."""
    kept = (1 << (SIGNS * (follow.pressure_within - 1))) - 1
    before, now = story.signs & kept, _pressure(series, i, story, against, follow)
    story.signs = (before << SIGNS) | now
    if _how_many(gathered(story.signs)) >= follow.pressure_signs:
        story.leaves = LEFT_ON_PRESSURE
        story.news |= SIGNAL
    elif now & ~gathered(before):
        story.news |= SIGN


@compiled
def _raise_stop(
    series: Floats, deep: Floats, shift: int, i: int, story: Any, rules: Any, follow: Any, bands: Floats, units: float
) -> None:
    """Raise the stop to the entry after its gain, or under the swing low that a bar confirms, to the higher of both."""
    sign = story.sign
    gain, close, why = follow.to_entry_at * (story.fill - story.first_stop), series[CLOSE, i], 0
    equal = tie(series, i, i)
    beyond = sign * close > story.fill + equal  # else such an order could not be placed at the entry
    if gain > 0.0 and not story.moved and beyond and story.best - story.fill >= gain - equal:
        story.moved = True
        entry = sign * on_step(sign * story.fill, -sign, close, bands, units) / units
        if entry > story.stop:
            story.stop, why = entry, TO_ENTRY
    low = _swing_low(deep, i + shift, sign, rules.swing_strength)
    if story.ride and low > story.stop:
        behind = sign * stop_behind(sign * low, series[ATR, i], sign, close, rules.stop_margin, bands, units) / units
        if behind > story.stop:
            story.stop, why = behind, SWING
    story.news |= why


@compiled
def _close_in_position(
    series: Floats,
    deep: Floats,
    shift: int,
    i: int,
    story: Any,
    against: bool,
    in_session: int,
    time: int,
    rules: Any,
    follow: Any,
    bands: Floats,
    units: float,
) -> None:
    """Look at the close of a bar with the position open: it may bring an exit, pressure, or a stop to raise."""
    sign = story.sign
    if in_session & LAST:
        story.state = LEFT_AT_CLOSE
        _end(story, closing(series, i, sign), time)
        return
    if _crossed_back(series, i, sign) and not story.crossed:
        story.crossed = True
        story.news |= SIGNAL
        if not story.ride:
            story.leaves = LEFT
    if story.ride:
        _weigh_pressure(series, i, story, against, follow)
    if story.leaves == 0 and 0 < follow.max_bars <= story.held:
        story.leaves = LEFT_AFTER_BARS
        story.news |= SIGNAL
    if story.leaves > 0:
        return
    if in_session & LAST_BUT_ONE:
        story.news |= SOON
    _raise_stop(series, deep, shift, i, story, rules, follow, bands, units)


@compiled
def advance(
    columns: Floats,
    deep: Floats,
    times: Integers,
    rows: Integers,
    stories: NDArray[Any],
    ends: Integers,
    offsets: Integers,
    stops: Integers,
    marks: NDArray[np.uint8],
    marks_ends: Integers,
    telling: int,
    rules_of_one: NDArray[Any],
    follow_of_one: NDArray[Any],
    grids: tuple[Floats, Floats],
    found: NDArray[np.uint8],
) -> None:
    """Take the stories (STORY) of several series over their bars, each from where it is.

    ``columns`` (series × COLUMNS × bars), ``deep`` (series × DEEP × more bars) and ``times`` (series × 2 × bars) are
    the windows of a pool. The stories of the series rows[k] are ends[k−1]…ends[k]−1 of ``stories``; its bars go up to
    stops[k] − 1, and bar n since its first is bar n + offsets[k] of ``columns``. Its part of ``marks``, which ends at
    ``marks_ends[k]``, is that of the last bars; bars before them have no marks. Its grid is number k of ``grids``; see
    ``levels.together``.

    A story with news among the bits in ``telling`` stops before the next bar, with its ``news``: report and clear them.
    ``found`` is set to HAS_NEWS for each series with such a story, and to CAN_GO_ON too if one can: then call again.
    """
    rules, follow, shift, begin, mark = rules_of_one[0], follow_of_one[0], deep.shape[2] - columns.shape[2], 0, 0
    for k in range(len(rows)):
        series, deep_series, times_of, offset, stop = (
            columns[rows[k]],
            deep[rows[k]],
            times[rows[k]],
            offsets[k],
            stops[k],
        )
        bands, units, own, known = grids[0][k], grids[1][k], marks[mark : marks_ends[k]], stop - (marks_ends[k] - mark)
        found[k] = 0
        for n in range(begin, ends[k]):
            story = stories[n]
            other = SHORT_STANDS if story.sign > 0 else LONG_STANDS
            while story.state <= OPEN and story.next + offset < stop and story.news == 0:
                i = story.next + offset
                time, where = times_of[1, i], own[i - known] if i >= known else 0
                if story.state == WAITING:
                    story.waited += 1
                    _try_to_enter(series, i, story, time)
                    if story.state == OPEN:
                        set_half(story, follow, bands, units)
                    if story.state == WAITING:
                        _close_without_entry(series, i, story, time, follow)
                if story.state == OPEN:
                    _meet(series, i, story, where, time)
                if story.state == OPEN:
                    against = where & other != 0
                    how = (rules, follow, bands, units)
                    _close_in_position(series, deep_series, shift, i, story, against, where, time, *how)
                story.next += 1
                story.news &= telling
            if story.news != 0:
                found[k] |= HAS_NEWS | CAN_GO_ON * (story.state <= OPEN) * (story.next + offset < stop)
        begin, mark = ends[k], marks_ends[k]
