"""The kernel: every indicator of a series, advanced bar by bar, one bar when live and a million in a replay.

One compiled function is the only definition of each indicator. It runs on a slice of a series' columns, keeps
what it must remember in one small record, and reports the bars that somebody has to look at. Inside, a slice goes
through in short blocks: what does not depend on the bar before is worked out for the whole block at once, several
bars to an instruction; only what runs from bar to bar is left to the loop over single bars.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

from scanner.analysis.columns import (
    CLOSE,
    FAST_AVERAGE,
    HIGH,
    LOW,
    OPEN,
    SLOW_AVERAGE,
    SWING_HIGH,
    SWING_LOW,
)
from scanner.analysis.rules import TIE
from scanner.analysis.setups import doji_pause

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]

STATE = np.dtype(
    [
        ("count", np.int64),  # bars seen
        ("sums", np.float64, 3),  # running sums: closes of the fast and of the slow average, bodies
        ("rests", np.float64, 3),  # what rounding took from them
        ("ema_fast", np.float64),
        ("ema_slow", np.float64),
        ("macd", np.float64),
        ("signal", np.float64),
        ("since_up", np.int64),  # bars since the MACD line went above its signal; negative while it is not there
        ("since_down", np.int64),  # and since it went below
        ("atr", np.float64, 4),  # at t−3, t−2, t−1, t; NaN until ready
        ("usual_body", np.float64, 4),
        ("true_range_sum", np.float64),  # until the first ATR
        ("leap_seen", np.bool_),  # the next bar's leap was looked at and is to be taken as it is
        ("held", np.bool_),  # on hold after a suspected split, until warm again
    ],
)
"""What a series remembers besides its window of bars."""

FOUND = np.dtype(
    [
        ("index", np.int64),
        ("sign", np.int64),
        ("atr", np.float64),
        ("measured", np.float64, doji_pause.MEASURED),
        ("verdicts", np.uint8, len(doji_pause.RULE_NAMES)),
    ],
)
"""A bar that passes the setup's own rules, all but its place: where, in which direction, and how."""

BLOCK = 512
"""Bars that are worked on together: few enough to stay close to the processor."""

DONE, LEAP, FULL = 0, 1, 2
"""Why ``advance`` came back: the slice is through; the next bar leaps; no more bars can be reported."""

ABOVE, BELOW = 1, 2
"""Sides of the signal on which the MACD line may be."""

NEVER = -1
NOT_READY = 1 << 40
"""Instead of the bars since a cross: the line is not on that side; or it went there before the signal was ready."""

KEPT = 4
"""Values of ATR and usual body that are remembered: the rules look three bars back."""


def fresh_state() -> NDArray[Any]:
    """Give the state of a series that has seen no bar."""
    state = np.zeros(1, dtype=STATE)
    state["since_up"] = state["since_down"] = NEVER
    state["atr"] = state["usual_body"] = np.nan
    return state


# Each of these loops runs over views from zero on: only then does the compiler know that no index is negative,
# and puts several bars into one instruction.


@njit(cache=True, error_model="numpy")
def _mark_swings(lows: Floats, highs: Floats, swings: NDArray[np.uint8], start: int, stop: int, strength: int) -> None:
    """Mark the bars that the bars start…stop−1 confirm as swing points.

    A swing low is below each of the ``strength`` lows before it and not above any of those after it; mirrored
    for a swing high. It exists only once the last of those bars has closed.
    """
    for j in range(start, stop):
        swings[j] = 0
    first, last = max(start - strength, strength), stop - strength
    if first >= last:
        return
    marks, low, high = swings[first:last], lows[first:last], highs[first:last]
    for j in range(len(marks)):
        marks[j] = SWING_LOW | SWING_HIGH
    for m in range(1, strength + 1):
        low_before, low_after = lows[first - m : last - m], lows[first + m : last + m]
        high_before, high_after = highs[first - m : last - m], highs[first + m : last + m]
        for j in range(len(marks)):
            is_low = (low[j] < low_before[j]) & (low[j] <= low_after[j])
            is_high = (high[j] > high_before[j]) & (high[j] >= high_after[j])
            marks[j] &= np.uint8(SWING_LOW * is_low | SWING_HIGH * is_high)


@njit(cache=True, error_model="numpy")
def _differences(come: Floats, gone: Floats, change: Floats, rest: Floats) -> None:
    """Subtract, and say what rounding takes from each difference (exactly: Knuth)."""
    for i in range(len(come)):
        difference = come[i] - gone[i]
        part = difference - come[i]
        change[i] = difference
        rest[i] = (come[i] - (difference - part)) - (gone[i] + part)


@njit(cache=True, error_model="numpy")
def _moves(values: Floats, start: int, stop: int, length: int, seen: int, change: Floats, rest: Floats) -> None:
    """Work out how a sum over ``length`` values changes with each, and what rounding takes from that change.

    ``seen`` values came before ``start``; as long as there are fewer than ``length``, none leaves the sum.
    """
    filling = min(max(start + length - seen, start), stop)
    for i in range(filling - start):
        change[i], rest[i] = values[start + i], 0.0
    if filling < stop:
        come, gone = values[filling:stop], values[filling - length : stop - length]
        _differences(come, gone, change[filling - start :], rest[filling - start :])


@njit(cache=True, error_model="numpy")
def _true_ranges(highs: Floats, lows: Floats, last_closes: Floats, out: Floats) -> None:
    for i in range(len(last_closes)):
        high, low, last = highs[i], lows[i], last_closes[i]
        out[i] = max(high, last) - min(low, last)


@njit(cache=True, error_model="numpy")
def _bodies(opens: Floats, closes: Floats, out: Floats) -> None:
    for i in range(len(opens)):
        out[i] = abs(closes[i] - opens[i])


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _recursions(
    closes: Floats,
    true_ranges: Floats,
    alphas: tuple[float, float, float, float],
    begun: tuple[float, float, float, float],
    out: tuple[Floats, Floats, Floats, Floats, Floats],
    changes: tuple[Floats, Floats, Floats],
    sums_begun: Floats,
    sums: tuple[Floats, Floats, Floats],
) -> None:
    """Run what depends on the bar before: the exponential averages, the signal line, the ATR, and three sums.

    They run side by side, so that none waits for another.
    """
    fast, slow, of_signal, of_atr = alphas
    ema_fast, ema_slow, signal, atr = begun
    keep_fast, keep_slow, keep_signal, keep_atr = 1.0 - fast, 1.0 - slow, 1.0 - of_signal, 1.0 - of_atr
    fasts, slows, macds, signals, atrs = out
    (change_a, change_b, change_c), (sums_a, sums_b, sums_c) = changes, sums
    a, b, c = sums_begun[0], sums_begun[1], sums_begun[2]
    for i in range(len(closes)):
        ema_fast = keep_fast * ema_fast + fast * closes[i]
        ema_slow = keep_slow * ema_slow + slow * closes[i]
        macd = ema_fast - ema_slow
        signal = keep_signal * signal + of_signal * macd
        atr = keep_atr * atr + of_atr * true_ranges[i]
        fasts[i], slows[i], macds[i], signals[i], atrs[i] = ema_fast, ema_slow, macd, signal, atr
        a += change_a[i]
        b += change_b[i]
        c += change_c[i]
        sums_a[i], sums_b[i], sums_c[i] = a, b, c


@njit(cache=True, error_model="numpy")
def _run_up(one: Floats, two: Floats, three: Floats, begun: Floats, bars: int) -> None:
    """Turn three columns of changes into running sums, in place; they run side by side."""
    a, b, c = begun[0], begun[1], begun[2]
    for i in range(bars):
        a += one[i]
        b += two[i]
        c += three[i]
        one[i], two[i], three[i] = a, b, c


@njit(cache=True, error_model="numpy")
def _lose(begin: float, sums: Floats, change: Floats, lost: Floats, bars: int) -> None:
    """Add to ``lost`` what rounding took from each step of a running sum (exactly: Knuth)."""
    part = sums[0] - begin
    lost[0] += (begin - (sums[0] - part)) + (change[0] - part)
    after, step, more = sums[1:bars], change[1:bars], lost[1:bars]
    for i in range(len(after)):
        part = after[i] - sums[i]
        more[i] += (sums[i] - (after[i] - part)) + (step[i] - part)


@njit(cache=True, error_model="numpy")
def _means(sums: Floats, rests: Floats, length: int, filling: int, out: Floats) -> None:
    """Give means of running sums; NaN for the first ``filling`` bars, which are too few."""
    one = 1.0 / length
    for i in range(len(out)):
        out[i] = (sums[i] + rests[i]) * one
    for i in range(min(filling, len(out))):
        out[i] = np.nan


@njit(cache=True, error_model="numpy")
def _sides(closes: Floats, slows: Floats, macds: Floats, signals: Floats, out: NDArray[np.uint8]) -> None:
    """Say on which side of its signal the MACD line is; a tie is neither."""
    for i in range(len(closes)):
        tie = TIE * (abs(closes[i]) + abs(slows[i]))
        gap = macds[i] - signals[i]
        out[i] = ABOVE * np.uint8(gap > tie) | BELOW * np.uint8(-gap > tie)


@njit(cache=True, error_model="numpy")
def _since_cross(sides: NDArray[np.uint8], k: int, side: int, entered: int, unready: int) -> int:
    """Count the bars since the line went to a side; NEVER while it is not there.

    ``entered`` is that count before the first of ``sides``. A cross counts only once the signal is ready,
    ``unready`` bars from the first.
    """
    if not sides[k] & side:
        return NEVER
    crossed = k
    while crossed > 0 and sides[crossed - 1] & side:
        crossed -= 1
    if crossed == 0 and entered >= 0:
        return entered + k + 1
    return k - crossed if crossed >= unready else NOT_READY


@njit(cache=True, error_model="numpy")
def _first_leap(opens: Floats, last_closes: Floats, last_atrs: Floats, hold_atr: float, first: int) -> int:
    """Find the first bar, from ``first`` on, that opens further than so many ATR from the last close."""
    for i in range(first, len(opens)):
        if abs(opens[i] - last_closes[i]) > hold_atr * last_atrs[i]:
            return i
    return len(opens)


@njit(cache=True, error_model="numpy")
def _gate(
    opens: Floats, highs: Floats, lows: Floats, closes: Floats, allowed_of: tuple[float, float], out: NDArray[np.uint8]
) -> None:
    """Let through the bars whose predecessor may be a doji between two drives: the rarest rule, with room for ties.

    The prices begin two bars before the first bar judged; ``allowed_of`` are the doji's greatest body as a part of
    its range and of the drive's body. A hundredth more is let through, which is far more than ties need.
    """
    open_d, high_d, low_d, close_d = opens[1:], highs[1:], lows[1:], closes[1:]
    open_b, close_b = opens[2:], closes[2:]
    of_range, of_drive = 1.01 * allowed_of[0], 1.01 * allowed_of[1]
    for i in range(len(out)):
        drive = closes[i] - opens[i]
        doji = abs(close_d[i] - open_d[i])
        small = (doji <= of_range * (high_d[i] - low_d[i])) | (doji <= of_drive * abs(drive))
        out[i] = small & (drive * (close_b[i] - open_b[i]) > 0.0)


def room_to_work(bars: int, rules: Rules) -> tuple[Floats, NDArray[np.uint8]]:
    """Make the room that ``advance`` works in, for slices of up to so many bars."""
    most = min(bars, BLOCK)
    return np.empty((17, most + max(KEPT, rules.usual_body_length))), np.empty((2, most), dtype=np.uint8)


@njit(cache=True, error_model="numpy")
def advance(
    columns: Floats,
    swings: NDArray[np.uint8],
    start: int,
    stop: int,
    state_of_one: NDArray[Any],
    rules_of_one: NDArray[Any],
    found: NDArray[Any],
    room: tuple[Floats, NDArray[np.uint8]],
) -> tuple[int, int, int]:
    """Take the bars start…stop−1 into the series and report those that somebody has to look at.

    ``columns`` (COLUMNS × bars) holds as many bars before ``start`` as the rules look back, or all there are;
    the kernel fills in the averages and ``swings``. ``state_of_one`` and ``rules_of_one`` are arrays of one STATE
    and one RULES record, ``found`` takes records FOUND, at least BLOCK or as many as there are bars; ``room`` is what
    ``room_to_work`` makes.

    Returns (reason, index, number found): the bars before ``index`` have been taken in. LEAP: the bar ``index``
    opens so far from the last close that it may be a split. FULL: call again with the room emptied.
    """
    state, rules = state_of_one[0], rules_of_one[0]
    opens, highs, lows, closes = columns[OPEN], columns[HIGH], columns[LOW], columns[CLOSE]
    fast_averages, slow_averages = columns[FAST_AVERAGE], columns[SLOW_AVERAGE]
    fast, slow, bodies = rules.fast_average, rules.slow_average, rules.usual_body_length
    alphas = (
        2.0 / (rules.macd_fast + 1),
        2.0 / (rules.macd_slow + 1),
        2.0 / (rules.macd_signal + 1),
        1.0 / rules.atr_length,
    )
    scratch, marks = room
    true_ranges, fasts, slows, macds, signals = scratch[0], scratch[1], scratch[2], scratch[3], scratch[4]
    fast_change, slow_change, body_change = scratch[5], scratch[6], scratch[7]
    fast_lost, slow_lost, body_lost = scratch[8], scratch[9], scratch[10]
    fast_sums, slow_sums, body_sums = scratch[11], scratch[12], scratch[13]
    usuals, atrs, body = scratch[14], scratch[15], scratch[16]
    sides, gate = marks[0], marks[1]

    number, begin = 0, start
    while begin < stop:
        if len(found) - number < min(BLOCK, stop - begin):
            return FULL, begin, number
        seen = state.count
        end = min(begin + BLOCK, stop)
        if seen < rules.atr_length:  # the first ATR ends a block
            end = begin + 1 if seen == 0 else min(end, begin + rules.atr_length - seen)
        for k in range(KEPT):
            atrs[k], usuals[k] = state.atr[k], state.usual_body[k]

        # Sums: exact differences go into compensated sums, so that no number of bars lets them drift.
        before = min(bodies, begin)
        _bodies(opens[begin - before : end], closes[begin - before : end], body)
        _moves(closes, begin, end, fast, seen, fast_change, fast_lost)
        _moves(closes, begin, end, slow, seen, slow_change, slow_lost)
        _moves(body, before, before + end - begin, bodies, seen, body_change, body_lost)
        changes, sums = (fast_change, slow_change, body_change), (fast_sums, slow_sums, body_sums)

        # What runs from bar to bar.
        now, last_closes = closes[begin:end], closes[begin - 1 : end - 1]
        if seen == 0:  # the first bar of all is a block of its own
            true_ranges[0], fasts[0], slows[0], macds[0], signals[0] = (
                highs[begin] - lows[begin],
                now[0],
                now[0],
                0.0,
                0.0,
            )
            atrs[KEPT], fast_sums[0], slow_sums[0], body_sums[0] = (
                np.nan,
                fast_change[0],
                slow_change[0],
                body_change[0],
            )
        else:
            _true_ranges(highs[begin:end], lows[begin:end], last_closes, true_ranges)
            begun = (state.ema_fast, state.ema_slow, state.signal, state.atr[KEPT - 1])
            out = (fasts, slows, macds, signals, atrs[KEPT:])
            _recursions(now, true_ranges, alphas, begun, out, changes, state.sums, sums)
        leaps = False
        if seen < rules.atr_length:
            for k in range(end - begin):
                state.true_range_sum += true_ranges[k]
            if seen + end - begin == rules.atr_length:
                atrs[KEPT + end - begin - 1] = state.true_range_sum / rules.atr_length
        else:
            taken = _first_leap(opens[begin:end], last_closes, atrs[KEPT - 1 :], rules.hold_atr, int(state.leap_seen))
            if taken == 0:
                return LEAP, begin, number
            leaps, end = taken < end - begin, begin + taken
        bars = end - begin
        last = bars - 1

        _lose(state.sums[0], fast_sums, fast_change, fast_lost, bars)
        _lose(state.sums[1], slow_sums, slow_change, slow_lost, bars)
        _lose(state.sums[2], body_sums, body_change, body_lost, bars)
        _run_up(fast_lost, slow_lost, body_lost, state.rests, bars)
        _means(fast_sums, fast_lost, fast, fast - 1 - seen, fast_averages[begin:end])
        _means(slow_sums, slow_lost, slow, slow - 1 - seen, slow_averages[begin:end])
        _means(body_sums, body_lost, bodies, bodies - 1 - seen, usuals[KEPT : KEPT + bars])

        _sides(now[:bars], slows, macds, signals, sides)
        unready = rules.macd_slow + rules.macd_signal - 1 - seen
        since_up, since_down = state.since_up, state.since_down
        _mark_swings(lows, highs, swings, begin, end, rules.swing_strength)

        state.count, state.leap_seen = seen + bars, False
        state.ema_fast, state.ema_slow, state.macd, state.signal = fasts[last], slows[last], macds[last], signals[last]
        state.sums[0], state.sums[1], state.sums[2] = fast_sums[last], slow_sums[last], body_sums[last]
        state.rests[0], state.rests[1], state.rests[2] = fast_lost[last], slow_lost[last], body_lost[last]
        for k in range(KEPT):
            state.atr[k], state.usual_body[k] = atrs[bars + k], usuals[bars + k]
        state.since_up = _since_cross(sides, last, ABOVE, since_up, unready)
        state.since_down = _since_cross(sides, last, BELOW, since_down, unready)

        first = max(begin, begin + rules.warm_up - 1 - seen)
        if first < end:
            part, allowed_of = slice(first - 2, end), (rules.doji_body, rules.doji_body_of_drive)
            _gate(opens[part], highs[part], lows[part], closes[part], allowed_of, gate[: end - first])
        for t in range(first, end):
            if gate[t - first]:
                k = t - begin
                sign = 1.0 if closes[t] > opens[t] else -1.0
                if sign > 0:
                    since = _since_cross(sides, k, ABOVE, since_up, unready)
                else:
                    since = _since_cross(sides, k, BELOW, since_down, unready)
                if 0 <= since <= rules.cross_window:
                    record = found[number]
                    if doji_pause.measure(
                        columns,
                        t,
                        sign,
                        rules,
                        usuals[k + 1],
                        atrs[k + 1],
                        float(since),
                        record.measured,
                        record.verdicts,
                    ):
                        record.index, record.sign, record.atr = t, int(sign), atrs[k + KEPT]
                        number += 1
        if leaps:
            return LEAP, end, number
        begin = end
    return DONE, stop, number


def needs_compiling() -> bool:
    """Say whether the first bar will wait for the compiler because no compiled form is kept on this machine."""
    folder = Path(str(advance.stats.cache_path))
    return not any(folder.glob(f"{Path(__file__).stem}.advance-*.nbi"))
