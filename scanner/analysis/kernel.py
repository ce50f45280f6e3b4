"""The kernel: every indicator of a series, advanced bar by bar, one bar when live and a million in a replay.

One compiled function is the only definition of each indicator. It runs on a slice of a series' columns, keeps
what it must remember in one small record, and stops at each bar that somebody has to look at.
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

STATE = np.dtype(
    [
        ("count", np.int64),  # bars seen
        ("fast_sum", np.float64),  # running sum of closes, and what rounding took from it
        ("fast_rest", np.float64),
        ("slow_sum", np.float64),
        ("slow_rest", np.float64),
        ("body_sum", np.float64),
        ("body_rest", np.float64),
        ("ema_fast", np.float64),
        ("ema_slow", np.float64),
        ("macd", np.float64),
        ("signal", np.float64),
        ("above", np.bool_),  # MACD line above its signal, ties not counted
        ("below", np.bool_),
        ("since_up", np.int64),  # bars since the line went above, and since it went below
        ("since_down", np.int64),
        ("atr", np.float64, 4),  # at t, t−1, t−2, t−3; NaN until ready
        ("usual_body", np.float64, 4),
        ("true_range_sum", np.float64),  # until the first ATR
        ("leap_seen", np.bool_),  # the next bar's leap was looked at and is to be taken as it is
        ("held", np.bool_),  # on hold after a suspected split, until warm again
    ],
)
"""What a series remembers besides its window of bars."""

DONE, CANDIDATE, LEAP = 0, 1, 2
"""Why ``advance`` came back: the slice is through; the bar passes the setup's own rules; the next bar leaps."""

NEVER = 1 << 40
"""Bars since something that has not happened yet."""


def fresh_state() -> NDArray[Any]:
    """Give the state of a series that has seen no bar."""
    state = np.zeros(1, dtype=STATE)
    state["since_up"] = state["since_down"] = NEVER
    state["atr"] = state["usual_body"] = np.nan
    return state


@njit(cache=True, inline="always")
def _rest(before: float, change: float, after: float) -> float:
    """Give what rounding lost in ``after = before + change`` (Knuth's exact two-term sum)."""
    part = after - before
    return (before - (after - part)) + (change - part)


@njit(cache=True)
def mark_swings(columns: NDArray[np.float64], swings: NDArray[np.uint8], start: int, stop: int, strength: int) -> None:
    """Mark the bars that the bars start…stop−1 confirm as swing points.

    A swing low is below each of the ``strength`` lows before it and not above any of those after it; mirrored
    for a swing high. It exists only once the last of those bars has closed.
    """
    lows, highs = columns[LOW], columns[HIGH]
    swings[start:stop] = 0
    for j in range(max(start - strength, strength), stop - strength):
        is_low, is_high = True, True
        for m in range(1, strength + 1):
            is_low &= (lows[j] < lows[j - m]) & (lows[j] <= lows[j + m])
            is_high &= (highs[j] > highs[j - m]) & (highs[j] >= highs[j + m])
        swings[j] = SWING_LOW * is_low + SWING_HIGH * is_high


@njit(cache=True)
def advance(
    columns: NDArray[np.float64],
    start: int,
    stop: int,
    state_of_one: NDArray[Any],
    rules_of_one: NDArray[Any],
    measured: NDArray[np.float64],
    verdicts: NDArray[np.bool_],
) -> tuple[int, int, int]:
    """Take the bars start…stop−1 into the series and stop early at a bar somebody has to look at.

    ``columns`` (COLUMNS × bars) holds as many bars before ``start`` as the rules look back, or all there are;
    the kernel fills in the averages. ``state_of_one`` and ``rules_of_one`` are arrays of one STATE
    and one RULES record.

    Returns (reason, index, sign). CANDIDATE: the bar ``index`` has been taken in and passes every rule of the
    setup but its place, in the direction ``sign``; ``measured`` and ``verdicts`` say how. LEAP: the bar ``index``
    opens so far from the last close that it may be a split; it has not been taken in. DONE: ``index`` is stop.
    """
    state, rules = state_of_one[0], rules_of_one[0]
    opens, highs, lows, closes = columns[OPEN], columns[HIGH], columns[LOW], columns[CLOSE]
    fast_averages, slow_averages = columns[FAST_AVERAGE], columns[SLOW_AVERAGE]

    fast, slow, bodies, atr_length = rules.fast_average, rules.slow_average, rules.usual_body_length, rules.atr_length
    alpha_fast, alpha_slow = 2.0 / (rules.macd_fast + 1), 2.0 / (rules.macd_slow + 1)
    alpha_signal = 2.0 / (rules.macd_signal + 1)
    crosses_from = rules.macd_slow + rules.macd_signal
    doji_body, doji_body_of_drive = rules.doji_body, rules.doji_body_of_drive
    hold_atr, warm_up = rules.hold_atr, rules.warm_up

    count = state.count
    fast_sum, fast_rest = state.fast_sum, state.fast_rest
    slow_sum, slow_rest = state.slow_sum, state.slow_rest
    body_sum, body_rest = state.body_sum, state.body_rest
    ema_fast, ema_slow, macd, signal = state.ema_fast, state.ema_slow, state.macd, state.signal
    above, below, since_up, since_down = state.above, state.below, state.since_up, state.since_down
    atr, atr_1, atr_2, atr_3 = state.atr[0], state.atr[1], state.atr[2], state.atr[3]
    usual, usual_1, usual_2, usual_3 = (
        state.usual_body[0],
        state.usual_body[1],
        state.usual_body[2],
        state.usual_body[3],
    )
    true_range_sum, leap_seen = state.true_range_sum, state.leap_seen

    reason, sign, i = DONE, 0, start
    while i < stop:
        open_, high, low, close = opens[i], highs[i], lows[i], closes[i]
        last_close = closes[i - 1] if count > 0 else open_
        if abs(open_ - last_close) > hold_atr * atr and not leap_seen:  # false while ATR is NaN
            reason = LEAP
            break
        leap_seen = False
        count += 1

        # Simple averages: exact differences into compensated sums, so that no number of bars lets them drift.
        leaving = closes[i - fast] if count > fast else 0.0
        change = close - leaving
        total = fast_sum + change
        fast_rest += _rest(fast_sum, change, total) + _rest(close, -leaving, change)
        fast_sum = total
        fast_averages[i] = (fast_sum + fast_rest) / fast if count >= fast else np.nan
        leaving = closes[i - slow] if count > slow else 0.0
        change = close - leaving
        total = slow_sum + change
        slow_rest += _rest(slow_sum, change, total) + _rest(close, -leaving, change)
        slow_sum = total
        slow_averages[i] = (slow_sum + slow_rest) / slow if count >= slow else np.nan

        body = abs(close - open_)
        leaving = abs(closes[i - bodies] - opens[i - bodies]) if count > bodies else 0.0
        change = body - leaving
        total = body_sum + change
        body_rest += _rest(body_sum, change, total) + _rest(body, -leaving, change)
        body_sum = total
        usual_3, usual_2, usual_1 = usual_2, usual_1, usual
        usual = (body_sum + body_rest) / bodies if count >= bodies else np.nan

        if count == 1:
            ema_fast = ema_slow = close
            macd = signal = 0.0
            true_range = high - low
        else:
            ema_fast += alpha_fast * (close - ema_fast)
            ema_slow += alpha_slow * (close - ema_slow)
            macd = ema_fast - ema_slow
            signal += alpha_signal * (macd - signal)
            true_range = max(high, last_close) - min(low, last_close)

        tie = TIE * (abs(close) + abs(ema_slow))
        was_above, was_below = above, below
        above, below = macd - signal > tie, signal - macd > tie
        since_up = 0 if above and not was_above and count >= crosses_from else since_up + 1
        since_down = 0 if below and not was_below and count >= crosses_from else since_down + 1

        atr_3, atr_2, atr_1 = atr_2, atr_1, atr
        if count > atr_length:
            atr = ((atr_length - 1) * atr + true_range) / atr_length
        else:
            true_range_sum += true_range
            if count == atr_length:
                atr = true_range_sum / atr_length

        i += 1
        # The rarest rule first, with room for ties; measure() below is what decides.
        if count >= warm_up:
            t = i - 1
            doji = abs(closes[t - 1] - opens[t - 1])
            drive = closes[t - 2] - opens[t - 2]
            allowed = max(doji_body * (highs[t - 1] - lows[t - 1]), doji_body_of_drive * abs(drive))
            for j in range(t - 2, t + 1):
                allowed += TIE * (abs(highs[j]) + abs(lows[j]))
            if doji <= allowed and drive * (close - open_) > 0.0:
                sign = 1 if drive > 0.0 else -1
                beyond = above if sign > 0 else below
                since = (since_up if sign > 0 else since_down) if beyond else np.nan
                if doji_pause.measure(columns, t, sign, rules, usual_3, atr_3, since, measured, verdicts):
                    reason = CANDIDATE
                    break

    state.count = count
    state.fast_sum, state.fast_rest = fast_sum, fast_rest
    state.slow_sum, state.slow_rest = slow_sum, slow_rest
    state.body_sum, state.body_rest = body_sum, body_rest
    state.ema_fast, state.ema_slow, state.macd, state.signal = ema_fast, ema_slow, macd, signal
    state.above, state.below, state.since_up, state.since_down = above, below, since_up, since_down
    state.atr[0], state.atr[1], state.atr[2], state.atr[3] = atr, atr_1, atr_2, atr_3
    state.usual_body[0], state.usual_body[1] = usual, usual_1
    state.usual_body[2], state.usual_body[3] = usual_2, usual_3
    state.true_range_sum, state.leap_seen = true_range_sum, leap_seen
    return reason, (i - 1 if reason == CANDIDATE else i), sign


def needs_compiling() -> bool:
    """Say whether the first bar will wait for the compiler because no compiled form is kept on this machine."""
    folder = Path(str(advance.stats.cache_path))
    return not any(folder.glob(f"{Path(__file__).stem}.advance-*.nbi"))
