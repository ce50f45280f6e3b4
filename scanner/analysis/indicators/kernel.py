"""The kernel: every indicator of a series, advanced bar by bar.

One compiled function is the only definition of each indicator. It takes one new bar of ten thousand series when live,
and a million bars of one series in a replay. Inside, the bars of a series go through in short blocks: what does not
depend on the bar before is computed for the whole block at once, several bars to an instruction; only what is recursive
is left to the loop over single bars.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import (
    ATR,
    CLOSE,
    CROSS,
    DEEP_ATR,
    DEEP_CLOSE,
    DEEP_HIGH,
    DEEP_LOW,
    EXPONENTIAL_AVERAGE,
    FAST_AVERAGE,
    HIGH,
    LOW,
    OPEN,
    SESSION_HIGH,
    SESSION_LOW,
    SLOW_AVERAGE,
    USUAL_BODY,
)
from scanner.analysis.indicators.arrays import copy, fill
from scanner.analysis.indicators.means import means, total_of
from scanner.analysis.indicators.running import (
    NO_SESSION,
    bodies,
    first_jump,
    in_session,
    in_sessions,
    session_at,
    step,
    steps,
    true_range,
)
from scanner.analysis.indicators.state import STATE
from scanner.analysis.indicators.windows import make_room, prefetch_series, write_bar, write_bars
from scanner.compiling import compiled, inlined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    from scanner.analysis.indicators.running import Alphas, Running
    from scanner.analysis.indicators.windows import Prices, Times

BLOCK = 1024
"""Bars that are processed together: few enough to stay in the cache.

Blocks begin at multiples of it, counted from a series' first bar, and where an indicator becomes ready. At the
multiples, the sums of the simple averages are added up again, so that no rounding lasts longer.
"""
NOTHING = np.zeros(BLOCK)
"""What leaves a sum that is not full yet."""

FEW = 8
"""Up to this many bars are taken in one by one, which is less work than preparing a block."""

FIRST, END, TAKEN, REASON = range(4)
JUDGED = 4
"""The columns of ``judged``, which ``advance`` fills."""


def fresh_state() -> NDArray[Any]:
    """Give the state of a series that has seen no bar: an array of one STATE record."""
    state = np.zeros(1, dtype=STATE)
    for name in ("atr", "session_high", "session_low", "before_high", "before_low"):
        state[name] = np.nan
    state["session"] = NO_SESSION
    return state


@inlined
def _known(state: Any, closes: Floats, at: int, rules: Any, spare: Floats) -> Running:
    """Give what was carried to the bar ``at`` of ``closes``; where a BLOCK begins, sums are added up again."""
    if state.count % BLOCK == 0 and state.count >= rules.fast_average:
        state.fast_sum = total_of(closes, at, rules.fast_average, spare)
    if state.count % BLOCK == 0 and state.count >= rules.slow_average:
        state.slow_sum = total_of(closes, at, rules.slow_average, spare)
    averages = (state.ema_fast, state.ema_slow, state.signal, state.atr, state.exponential_average)
    return (*averages, state.fast_sum, state.slow_sum, state.side, state.cross)


@inlined
def _keep(state: Any, running: Running, bars: int) -> None:
    """Keep what is carried on after some bars."""
    state.ema_fast, state.ema_slow, state.signal, state.atr, state.exponential_average = running[:5]
    state.fast_sum, state.slow_sum, state.side, state.cross = running[5:]
    state.count, state.jump_seen = state.count + bars, False


@compiled
def _take_block(
    series: Floats,
    deep: Floats,
    times: Integers,
    begin: int,
    end: int,
    prices: Prices,
    bar_times: Times,
    i: int,
    sessions: tuple[Integers, Integers],
    state: Any,
    rules: Any,
    alphas: Alphas,
    scratch: Floats,
) -> int:
    """Take in bars of one series, from bar i of ``prices`` on, as its bars begin…end−1.

    Gives the first bar not taken: ``end``, or one that jumps.
    """
    write_bars(series, deep, times, begin, end - begin, prices, bar_times, i)
    seen, shift = state.count, deep.shape[1] - series.shape[1]
    at, to = begin + shift, end + shift  # in the deep window
    body, spare = scratch[0], (scratch[1], scratch[2])
    highs, lows, closes, atrs = deep[DEEP_HIGH], deep[DEEP_LOW], deep[DEEP_CLOSE], deep[DEEP_ATR]
    averages, fasts, slows = series[EXPONENTIAL_AVERAGE], series[FAST_AVERAGE], series[SLOW_AVERAGE]
    if seen == 0:  # the very first bar is a separate block
        close = closes[at]
        running = (close, close, 0.0, np.nan, close, close, close, 0, 0)
        atrs[at], averages[begin], fasts[begin], slows[begin], series[CROSS, begin] = np.nan, close, close, close, 0.0
        state.true_range_sum = highs[at] - lows[at]
    else:
        fast, slow = rules.fast_average, rules.slow_average
        left_fast = closes[at - fast : to - fast] if seen >= fast else NOTHING
        left_slow = closes[at - slow : to - slow] if seen >= slow else NOTHING
        known = _known(state, closes, at, rules, spare[0])
        factors, unready = (1.0 / fast, 1.0 / slow), rules.macd_slow + rules.macd_signal - 1 - seen
        coming = (prices, bar_times, i + end - begin)
        taken = 0
        while taken < end - begin:  # a bar that jumps ends a round
            own, lasts, of = (highs[at:to], lows[at:to], closes[at:to]), closes[at - 1 : to - 1], slice(begin, end)
            outs = (atrs[at:to], averages[of], fasts[of], slows[of], series[CROSS, of])
            running = steps(own, lasts, (left_fast, left_slow), unready, factors, alphas, known, outs, coming)
            if seen < rules.atr_length:
                break
            opens, last_atrs = series[OPEN, of], atrs[at - 1 : to - 1]
            taken = first_jump(opens, lasts, last_atrs, rules.hold_atr, int(state.jump_seen))
            if taken == 0:
                return begin
            if taken < end - begin:
                end, to, taken = begin + taken, at + taken, 0
        if seen < rules.atr_length:
            for t in range(at, to):
                state.true_range_sum += true_range(highs[t], lows[t], closes[t - 1])
    bars = end - begin
    _keep(state, running, bars)
    if state.count == rules.atr_length:
        atrs[to - 1] = state.atr = state.true_range_sum / rules.atr_length
    copy(atrs[at:to], series[ATR, begin:end])
    _not_ready(averages[begin:end], rules.exponential_average, seen)
    _not_ready(fasts[begin:end], rules.fast_average, seen)
    _not_ready(slows[begin:end], rules.slow_average, seen)

    length = rules.usual_body_length
    before = min(length - 1, seen)
    bodies(series[OPEN, begin - before : end], series[CLOSE, begin - before : end], body)
    means(body[: before + bars], length, series[USUAL_BODY, begin:end], spare)

    befores = (series[SESSION_HIGH, begin:end], series[SESSION_LOW, begin:end])
    if len(sessions[0]):
        in_sessions(times[0, begin:end], sessions, highs[at:to], lows[at:to], state, befores)
    else:
        fill(befores[0], np.nan)
        fill(befores[1], np.nan)
    return end


@inlined
def _not_ready(averages: Floats, length: int, seen: int) -> None:
    """Take back the averages of too few closes."""
    if seen < length - 1:
        fill(averages[: length - 1 - seen], np.nan)


@inlined
def _take_bar(
    series: Floats,
    deep: Floats,
    times: Integers,
    t: int,
    prices: Prices,
    bar_times: Times,
    sessions: tuple[Integers, Integers],
    i: int,
    state: Any,
    rules: Any,
    alphas: Alphas,
    scratch: Floats,
) -> bool:
    """Take in a bar of a warm series, whose indicators are all ready, as ``_take_block`` would; False if it jumps.

    It is the bar i of ``prices`` and becomes the bar t.
    """
    at = t + deep.shape[1] - series.shape[1]
    write_bar(series, deep, times, t, prices, bar_times, i)
    high, low, close, last = prices[HIGH][i], prices[LOW][i], prices[CLOSE][i], deep[DEEP_CLOSE, at - 1]
    if abs(series[OPEN, t] - last) > rules.hold_atr * state.atr and not state.jump_seen:
        return False
    length, body, spare, closes = rules.usual_body_length, scratch[0], scratch[1], deep[DEEP_CLOSE]
    fast, slow = rules.fast_average, rules.slow_average
    known, left = _known(state, closes, at, rules, spare), (closes[at - fast], closes[at - slow])
    running = step(close, true_range(high, low, last), left, True, alphas, known)  # noqa: FBT003 - compiled
    _keep(state, running, 1)
    deep[DEEP_ATR, at], series[ATR, t], series[EXPONENTIAL_AVERAGE, t] = running[3], running[3], running[4]
    series[FAST_AVERAGE, t], series[SLOW_AVERAGE, t] = running[5] * (1.0 / fast), running[6] * (1.0 / slow)
    series[CROSS, t] = running[8]
    for k in range(length):
        body[k] = abs(series[CLOSE, t + 1 - length + k] - series[OPEN, t + 1 - length + k])
    series[USUAL_BODY, t] = total_of(body, length, length, spare) * (1.0 / length)
    begins, days = sessions
    if len(begins):
        in_session(days[session_at(bar_times[0][i], begins)], high, low, state)
        series[SESSION_HIGH, t], series[SESSION_LOW, t] = state.before_high, state.before_low
    else:
        series[SESSION_HIGH, t], series[SESSION_LOW, t] = np.nan, np.nan
    return True


@compiled
def advance(
    columns: Floats,
    deep: Floats,
    times: Integers,
    state: NDArray[Any],
    used: Integers,
    rows: Integers,
    begin: Integers,
    end: Integers,
    prices: Prices,
    bar_times: Times,
    sessions: tuple[Integers, Integers],
    rules_of_one: NDArray[Any],
    kept: int,
    judged: Integers,
) -> None:
    """Take in new bars of many series, and say at which of them setups may be looked for.

    The series are those of ``rows``: ``columns`` (series × COLUMNS × bars), ``deep`` (series × DEEP × more bars),
    ``times`` (series × 2 × bars) and ``state`` (STATE) are their windows and records,
    ``used`` the bar of ``columns`` that each takes next. The new bars of the series rows[k] are begin[k]…end[k]−1 of
    ``prices`` and ``bar_times``; there must be room for them once the windows are moved, which keeps the last ``kept``
    bars of ``columns``. ``sessions`` are the times at which sessions begin, and their days; both are empty for bars of
    a day or longer.

    ``judged`` (series × JUDGED) is filled with the FIRST and the END of the bars to be judged, how many were TAKEN, and
    as REASON whether the bar at the end jumps; that bar is then in the windows, but not taken in.
    """
    rules = rules_of_one[0]
    alphas = (
        2.0 / (rules.macd_fast + 1),
        2.0 / (rules.macd_slow + 1),
        2.0 / (rules.macd_signal + 1),
        1.0 / rules.atr_length,
        2.0 / (rules.exponential_average + 1),
    )
    width = columns.shape[2]
    longest = 0
    for k in range(len(rows)):
        longest = max(longest, end[k] - begin[k])
    longest = min(longest, BLOCK)
    scratch = np.empty((3, longest + max(rules.usual_body_length, rules.slow_average)))
    for k in range(len(rows)):
        row, first = rows[k], begin[k]
        series, deep_series, times_of, record = columns[row], deep[row], times[row], state[row]
        if longest <= FEW and k + 1 < len(rows):
            prefetch_series(columns, deep, times, state, used, rows[k + 1], rules)
        if used[row] + end[k] - first > width:
            make_room(series, deep_series, times_of, used[row] - kept, kept)
            used[row] = kept
        start = t = used[row]
        stop, seen = start + end[k] - first, record.count
        jumps = False
        while t < stop and not jumps:
            bars = min(BLOCK - record.count % BLOCK, stop - t)
            for first_ready in (1, rules.atr_length, rules.fast_average, rules.slow_average):
                if record.count < first_ready:
                    bars = min(bars, first_ready - record.count)
            if bars <= FEW and record.count >= rules.warm_up:
                bars = 1
            i = first + t - start
            if bars == 1 and record.count >= rules.warm_up:
                one = _take_bar(
                    series, deep_series, times_of, t, prices, bar_times, sessions, i, record, rules, alphas, scratch
                )
                taken = t + one
            else:
                taken = _take_block(
                    series,
                    deep_series,
                    times_of,
                    t,
                    t + bars,
                    prices,
                    bar_times,
                    i,
                    sessions,
                    record,
                    rules,
                    alphas,
                    scratch,
                )
            jumps = taken < t + bars
            t = taken
        used[row] = t
        judged[k, FIRST] = min(max(start, start + rules.warm_up - 1 - seen), t)
        judged[k, END], judged[k, TAKEN], judged[k, REASON] = t, t - start, t < stop
