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
)
from scanner.analysis.means import means
from scanner.analysis.rules import TIE
from scanner.analysis.setups import doji_pause
from scanner.analysis.swing_marks import mark_swings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STATE = np.dtype(
    [
        ("count", np.int64),  # bars seen
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

BLOCK = 1024
"""Bars that are worked on together: few enough to stay close to the processor."""

DONE, LEAP, FULL = 0, 1, 2
"""Why ``advance`` came back: the slice is through; the next bar leaps; no more bars can be reported."""

ABOVE, BELOW = np.int64(1), np.int64(2)
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


# These loops run over views from zero on: only then does the compiler know that no index is negative, and puts several
# bars into one instruction.


@njit(cache=True, error_model="numpy")
def _bodies(opens: Floats, closes: Floats, out: Floats) -> None:
    for i in range(len(opens)):
        out[i] = abs(closes[i] - opens[i])


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _bar_to_bar(
    prices: tuple[Floats, Floats, Floats, Floats],
    last_closes: Floats,
    alphas: tuple[float, float, float, float],
    begun: tuple[float, float, float, float],
    outs: tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats],
) -> None:
    """Run what depends on the bar before: the exponential averages, the signal line and the ATR.

    They run side by side, so that none waits for another; what is read and worked out besides, the true range and the
    body, takes no time of its own.
    """
    opens, highs, lows, closes = prices
    fast, slow, of_signal, of_atr = alphas
    ema_fast, ema_slow, signal, atr = begun
    keep_fast, keep_slow, keep_signal, keep_atr = 1.0 - fast, 1.0 - slow, 1.0 - of_signal, 1.0 - of_atr
    bodies, true_ranges, fasts, slows, macds, signals, atrs = outs
    for i in range(len(closes)):
        close, last = closes[i], last_closes[i]
        true_range = max(highs[i], last) - min(lows[i], last)
        ema_fast = keep_fast * ema_fast + fast * close
        ema_slow = keep_slow * ema_slow + slow * close
        macd = ema_fast - ema_slow
        signal = keep_signal * signal + of_signal * macd
        atr = keep_atr * atr + of_atr * true_range
        bodies[i], true_ranges[i] = abs(close - opens[i]), true_range
        fasts[i], slows[i], macds[i], signals[i], atrs[i] = ema_fast, ema_slow, macd, signal, atr


@njit(cache=True, error_model="numpy")
def _sides(closes: Floats, slows: Floats, macds: Floats, signals: Floats, out: NDArray[np.uint8]) -> None:
    """Say on which side of its signal the MACD line is; a tie is neither."""
    for i in range(len(closes)):
        tie = TIE * (abs(closes[i]) + abs(slows[i]))
        gap = macds[i] - signals[i]
        out[i] = ABOVE * np.uint8(gap > tie) | BELOW * np.uint8(-gap > tie)


@njit(cache=True, error_model="numpy")
def _since_cross(sides: NDArray[np.uint8], k: int, side: np.int64, entered: int, unready: int) -> int:
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
    leaps = 0
    for i in range(len(opens)):
        leaps += abs(opens[i] - last_closes[i]) > hold_atr * last_atrs[i]
    if leaps:
        for i in range(first, len(opens)):
            if abs(opens[i] - last_closes[i]) > hold_atr * last_atrs[i]:
                return i
    return len(opens)


@njit(cache=True, error_model="numpy")
def _gate(
    opens: Floats,
    highs: Floats,
    lows: Floats,
    closes: Floats,
    limits: tuple[float, float, float],
    out: NDArray[np.uint8],
) -> None:
    """Let through the bars that may end a doji between two drives that are alike: the rarest rules.

    The prices begin two bars before the first bar judged; ``limits`` are the doji's greatest body as a part of its
    range and of the drive's body, and the greatest ratio of the drives' bodies. A little more is let through: what
    hangs on a tie is left to the rules themselves.
    """
    open_d, high_d, low_d, close_d = opens[1:], highs[1:], lows[1:], closes[1:]
    open_b, high_b, low_b, close_b = opens[2:], highs[2:], lows[2:], closes[2:]
    of_range, of_drive, alike = 1.01 * limits[0], 1.01 * limits[1], 1.01 * limits[2]
    for i in range(len(out)):
        drive, second, doji = closes[i] - opens[i], close_b[i] - open_b[i], abs(close_d[i] - open_d[i])
        body, second_body = abs(drive), abs(second)
        tie = abs(highs[i]) + abs(lows[i]) + abs(high_d[i]) + abs(low_d[i]) + abs(high_b[i]) + abs(low_b[i])
        tie *= 2.0 * TIE
        small = (doji <= of_range * (high_d[i] - low_d[i]) + tie) | (doji <= of_drive * body + tie)
        out[i] = (
            small & (drive * second > 0.0) & (second_body <= alike * body + tie) & (body <= alike * second_body + tie)
        )


@njit(cache=True, error_model="numpy")
def advance(
    columns: Floats,
    swings: NDArray[np.uint8],
    start: int,
    stop: int,
    state_of_one: NDArray[Any],
    rules_of_one: NDArray[Any],
    found: NDArray[Any],
) -> tuple[int, int, int]:
    """Take the bars start…stop−1 into the series and report those that somebody has to look at.

    ``columns`` (COLUMNS × bars) holds as many bars before ``start`` as the rules look back, or all there are;
    the kernel fills in the averages and ``swings``. ``state_of_one`` and ``rules_of_one`` are arrays of one STATE
    and one RULES record, ``found`` takes records FOUND, at least BLOCK or as many as there are bars.

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
    most = min(stop - start, BLOCK)
    scratch = np.empty((10, most + max(KEPT, bodies, slow, 2 * rules.swing_strength)))
    sides, gate = np.empty(most, dtype=np.uint8), np.empty(most, dtype=np.uint8)
    true_ranges, fasts, slows, macds, signals = scratch[0], scratch[1], scratch[2], scratch[3], scratch[4]
    usuals, atrs, body, spare = scratch[5], scratch[6], scratch[7], (scratch[8], scratch[9])

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

        before = min(bodies - 1, seen)
        _bodies(opens[begin - before : begin], closes[begin - before : begin], body)
        now, last_closes, new_bodies = closes[begin:end], closes[begin - 1 : end - 1], body[before:]
        if seen == 0:  # the first bar of all is a block of its own
            new_bodies[0], true_ranges[0] = abs(now[0] - opens[begin]), highs[begin] - lows[begin]
            fasts[0], slows[0], macds[0], signals[0], atrs[KEPT] = now[0], now[0], 0.0, 0.0, np.nan
        else:
            prices = (opens[begin:end], highs[begin:end], lows[begin:end], now)
            begun = (state.ema_fast, state.ema_slow, state.signal, state.atr[KEPT - 1])
            outs = (new_bodies, true_ranges, fasts, slows, macds, signals, atrs[KEPT:])
            _bar_to_bar(prices, last_closes, alphas, begun, outs)
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

        means(body[: before + bars], bodies, usuals[KEPT : KEPT + bars], spare)
        means(closes[begin - min(fast - 1, seen) : end], fast, fast_averages[begin:end], spare)
        means(closes[begin - min(slow - 1, seen) : end], slow, slow_averages[begin:end], spare)

        _sides(now[:bars], slows, macds, signals, sides)
        unready = rules.macd_slow + rules.macd_signal - 1 - seen
        since_up, since_down = state.since_up, state.since_down
        mark_swings(lows, highs, swings, begin, end, rules.swing_strength, spare)

        state.count, state.leap_seen = seen + bars, False
        state.ema_fast, state.ema_slow, state.macd, state.signal = fasts[last], slows[last], macds[last], signals[last]
        for k in range(KEPT):
            state.atr[k], state.usual_body[k] = atrs[bars + k], usuals[bars + k]
        state.since_up = _since_cross(sides, last, ABOVE, since_up, unready)
        state.since_down = _since_cross(sides, last, BELOW, since_down, unready)

        first = max(begin, begin + rules.warm_up - 1 - seen)
        if first < end:
            part, allowed_of = slice(first - 2, end), (rules.doji_body, rules.doji_body_of_drive, rules.alike)
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
