"""The indicators, one step at a time or over the bars of a block.

What is recursive is one step, written once; the loops over a block repeat it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.indicators.arrays import fill
from scanner.analysis.indicators.windows import PLACE, prefetch_bars
from scanner.analysis.rules import TIE
from scanner.compiling import compiled, fused, inlined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.indicators.windows import Prices, Times

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Alphas = tuple[float, float, float, float, float]
    """Weights of the new bar: fast and slow average of the MACD, its signal, the ATR, the exponential average."""
    Running = tuple[float, float, float, float, float, float, float, int, int]
    """What is carried from bar to bar, in the same order; then the sums of both simple averages, side and CROSS."""
    Pair = tuple[float, float]

NO_SESSION = np.iinfo(np.int64).min
END_OF_TIME = np.iinfo(np.int64).max


@inlined
def true_range(high: float, low: float, last_close: float) -> float:
    """Range of a bar, including the gap from the previous close."""
    return max(high, last_close) - min(low, last_close)


@inlined
def side_of(close: float, slow: float, gap: float) -> int:
    """Say on which side of its signal the MACD line is: +1 above, −1 below, 0 if they are equal."""
    tie = TIE * (abs(close) + abs(slow))
    return int(gap > tie) - int(-gap > tie)


@inlined
def crossed(side: int, before: int, cross: int, ready: bool) -> int:
    """Count the bars since the MACD line crossed its signal, see CROSS; a cross counts once the signal is ready."""
    counted = cross + side if cross != 0 else 0
    begun = side if ready else 0
    return counted if side == before else begun


@inlined
def step(close: float, bar_range: float, left: Pair, ready: bool, alphas: Alphas, running: Running) -> Running:
    """Advance by one bar; ``left`` are the closes that leave the sums, ``ready`` whether the signal is ready."""
    fast, slow, of_signal, of_atr, of_average = alphas
    ema_fast, ema_slow, signal, atr, average, fast_sum, slow_sum, side, cross = running
    ema_fast = fused(1.0 - fast, ema_fast, fast * close)
    ema_slow = fused(1.0 - slow, ema_slow, slow * close)
    signal = fused(1.0 - of_signal, signal, of_signal * (ema_fast - ema_slow))
    atr = fused(1.0 - of_atr, atr, of_atr * bar_range)
    average = fused(1.0 - of_average, average, of_average * close)
    fast_sum, slow_sum = fast_sum + (close - left[0]), slow_sum + (close - left[1])
    now = side_of(close, ema_slow, (ema_fast - ema_slow) - signal)
    return ema_fast, ema_slow, signal, atr, average, fast_sum, slow_sum, now, crossed(now, side, cross, ready)


@compiled
def steps(
    prices: tuple[Floats, Floats, Floats],
    last_closes: Floats,
    left: tuple[Floats, Floats],
    unready: int,
    factors: Pair,
    alphas: Alphas,
    running: Running,
    outs: tuple[Floats, Floats, Floats, Floats, Floats],
    coming: tuple[Prices, Times, int],
) -> Running:
    """Advance by several bars; the indicators run side by side, so that none waits for another.

    ``left`` are the closes that leave the sums, ``factors`` make means of these. At the first ``unready`` bars the
    signal of the MACD is not ready. Writes the ATR, the exponential average, both means and the CROSS of each bar.
    Meanwhile as many bars of ``coming``, from its index on, begin to be read from memory.
    """
    highs, lows, closes = prices
    left_fast, left_slow = left
    atrs, averages, fasts, slows, crosses = outs
    for i in range(len(closes)):
        if i % PLACE == 0:
            prefetch_bars(coming[0], coming[1], coming[2] + i)
        bar_range, gone = true_range(highs[i], lows[i], last_closes[i]), (left_fast[i], left_slow[i])
        running = step(closes[i], bar_range, gone, i >= unready, alphas, running)
        _, _, _, atrs[i], averages[i], fast_sum, slow_sum, _, crosses[i] = running
        fasts[i], slows[i] = fast_sum * factors[0], slow_sum * factors[1]
    return running


@compiled
def averages_after(closes: Floats, state: Any, rules: Any) -> tuple[float, float, float]:
    """Give both averages of the MACD and its signal after some closes that follow a state, as ``advance`` does."""
    alphas = (2.0 / (rules.macd_fast + 1), 2.0 / (rules.macd_slow + 1), 2.0 / (rules.macd_signal + 1), 0.0, 0.0)
    rest = (0.0, 0.0, 0.0, 0.0, 0, 0)
    running, first = (state.ema_fast, state.ema_slow, state.signal, *rest), 0
    if state.count == 0:
        running, first = (closes[0], closes[0], 0.0, *rest), 1
    for i in range(first, len(closes)):
        running = step(closes[i], 0.0, (0.0, 0.0), False, alphas, running)  # noqa: FBT003 - compiled
    return running[0], running[1], running[2]


@compiled
def _extremes(highs: Floats, lows: Floats) -> tuple[float, float]:
    """Give the highest high and the lowest low, searched in four independent parts."""
    high_a = high_b = high_c = high_d = highs[0]
    low_a = low_b = low_c = low_d = lows[0]
    whole = len(highs) & ~3
    for i in range(0, whole, 4):
        high_a, high_b = max(high_a, highs[i]), max(high_b, highs[i + 1])
        high_c, high_d = max(high_c, highs[i + 2]), max(high_d, highs[i + 3])
        low_a, low_b = min(low_a, lows[i]), min(low_b, lows[i + 1])
        low_c, low_d = min(low_c, lows[i + 2]), min(low_d, lows[i + 3])
    for i in range(whole, len(highs)):
        high_a, low_a = max(high_a, highs[i]), min(low_a, lows[i])
    return max(high_a, high_b, high_c, high_d), min(low_a, low_b, low_c, low_d)


@inlined
def in_session(session: int, high: float, low: float, state: Any) -> None:
    """Take in a stretch of a session; the session of the very first bar may not have been seen whole."""
    if session == state.session:
        state.session_high = high if high > state.session_high else state.session_high  # noqa: FURB136 - NaN stays
        state.session_low = low if low < state.session_low else state.session_low  # noqa: FURB136 - as above
    elif state.session != NO_SESSION:
        state.before_high, state.before_low = state.session_high, state.session_low
        state.session_high, state.session_low = high, low
    state.session = session


@compiled
def session_at(moment: int, begins: Integers) -> int:
    """Find the last session that begins at or before a moment, −1 if there is none; ``begins`` are in order."""
    low, high = 0, len(begins)
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if begins[middle] <= moment else (low, middle)
    return low - 1


@compiled
def in_sessions(
    opens: Integers,
    sessions: tuple[Integers, Integers],
    highs: Floats,
    lows: Floats,
    state: Any,
    before: tuple[Floats, Floats],
) -> None:
    """Write the extremes of the session before each bar's; ``opens`` are the times at which the bars open."""
    begins, days = sessions
    before_highs, before_lows = before
    begin, bars, which = 0, len(opens), session_at(opens[0], begins)
    while begin < bars:
        while which + 1 < len(begins) and begins[which + 1] <= opens[begin]:
            which += 1
        until = begins[which + 1] if which + 1 < len(begins) else END_OF_TIME
        end = begin + 1 + session_at(until - 1, opens[begin:])
        high, low = _extremes(highs[begin:end], lows[begin:end])
        in_session(days[which], high, low, state)
        fill(before_highs[begin:end], state.before_high)
        fill(before_lows[begin:end], state.before_low)
        begin = end


@compiled
def first_jump(opens: Floats, last_closes: Floats, last_atrs: Floats, hold_atr: float, first: int) -> int:
    """Find the first bar, from ``first`` on, that opens more than ``hold_atr`` ATR from the previous close."""
    jumps = 0
    for i in range(len(opens)):
        jumps += abs(opens[i] - last_closes[i]) > hold_atr * last_atrs[i]
    if jumps:
        for i in range(first, len(opens)):
            if abs(opens[i] - last_closes[i]) > hold_atr * last_atrs[i]:
                return i
    return len(opens)


@compiled
def bodies(opens: Floats, closes: Floats, out: Floats) -> None:
    """Give the bodies of bars."""
    for i in range(len(opens)):
        out[i] = abs(closes[i] - opens[i])
