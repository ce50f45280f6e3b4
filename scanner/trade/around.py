"""The figures of surroundings, in compiled code: of many setups at once, each measured and judged.

Each surrounding has one or several parts. A part that cannot be judged holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE, DEEP_ATR, HIGH, LOW, OPEN, VOLUME
from scanner.analysis.rules import TIE
from scanner.analysis.trend import trend
from scanner.compiling import compiled
from scanner.trade.levels import step_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

PARTS = range(15)
"""The parts, in the order of the columns of ``measured``."""
(
    TREND,
    COARSER,
    VOLATILITY,
    ROOM,
    COST,
    RANGE,
    RISK,
    TRADED,
    TURNOVER,
    SESSIONS,
    BEFORE,
    AFTER,
    DATES,
    GAP,
    RISK_SIZE,
) = PARTS

(
    FAILS,
    HOLDS,
    NOT_ASKED,
    NO_COARSER,
    FEW_COARSER,
    FEW_BARS,
    NO_RISK,
    NO_OBSTACLE,
    NO_COSTS,
    NO_VOLUME,
    NO_TURNOVER,
    NOT_INTRADAY,
    NO_SESSIONS,
    NEVER_CLOSES,
    NO_DATES,
    NO_DATE,
    ONE_BAR,
) = range(17)
"""The verdict on a part: it fails, it holds, it is not wanted, or (from there on) why it cannot be judged."""

IN_PARTS = np.array([TREND, COARSER, VOLATILITY, ROOM, COST, RANGE, SESSIONS, DATES, GAP, RISK_SIZE, len(PARTS)])
"""Where the parts of each surrounding begin, and the next one's, in the order in which they are shown."""
UNJUDGED = 2
"""The verdict on a surrounding that holds because it, or one of its parts, cannot be judged."""

SHOULD, VOLUMES, NEAREST = range(3)
"""How many bars should have traded, whether any of these has a volume, and the number of the nearest date."""

WANTED = np.dtype(
    [
        ("loud", np.float64),
        ("min_room", np.float64),
        ("max_cost", np.float64),
        ("liquid_bars", np.int64),
        ("max_missing", np.int64),
        ("range_steps", np.int64),
        ("risk_steps", np.int64),
        ("min_turnover", np.float64),  # NaN if none is wanted
        ("skip_open", np.int64),
        ("skip_close", np.int64),
        ("pause_gap", np.float64),
        ("max_risk", np.float64),
    ]
)
"""The settings of the surroundings, for compiled code."""

MARKET = np.dtype(
    [
        ("units", np.float64),  # units of price in a point
        ("point_value", np.float64),
        ("costs_given", np.bool_),
        ("cost", np.float64),  # of both ways, in units, and
        ("cost_part", np.float64),  # as a part of the price, both
        ("cost_scale", np.float64),  # the factor by which both are multiplied, so that they are whole numbers
        ("coarser", np.bool_),  # whether a coarser timeframe is followed
        ("hours", np.int64),  # HOLDS, or why they cannot be judged
        ("dates", np.bool_),  # whether dates are known, and
        ("first_date", np.int64),  # where its own begin among those of all instruments, and
        ("end_date", np.int64),  # end
        ("keep_away", np.int64),  # from a date, in nanoseconds
    ]
)
"""Facts about an instrument that are the same at all bars of a series."""


@compiled
def _median(values: Floats) -> float:
    """Give the median of a few values, which it sorts: the compiler's own sort takes seconds to compile."""
    ordered = values
    for n in range(1, len(ordered)):
        value, k = ordered[n], n
        while k > 0 and ordered[k - 1] > value:
            ordered[k] = ordered[k - 1]
            k -= 1
        ordered[k] = value
    half = len(ordered) // 2
    return float(ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0)


@compiled
def volatility(deep: Floats, last: int, begin: int, length: int) -> float:
    """Give ATR divided by the mean of its last values; NaN if there are too few, or all are 0."""
    if last + 1 - length < begin:
        return np.nan
    total = 0.0
    for i in range(last + 1 - length, last + 1):
        total += deep[DEEP_ATR, i]
    return deep[DEEP_ATR, last] / (total / length) if total != 0.0 else np.nan


@compiled
def _traded(
    series: Floats, t: int, begin: int, numbers: Integers, wanted: Any, point_value: float
) -> tuple[int, int, bool, float]:
    """Give how many of the last bars are missing or without volume, of how many, whether there is any, and turnover.

    The turnover is the median of a bar; NaN without volume or with too few bars.
    """
    first, has_volume = max(begin, t + 1 - wanted.liquid_bars), False
    for i in range(first, t + 1):
        has_volume |= series[VOLUME, i] > 0.0
    there, back = 0, 0
    for i in range(t, first - 1, -1):
        back = t - i if len(numbers) == 0 else numbers[-1] - numbers[len(numbers) - 1 - (t - i)]
        there += back < wanted.liquid_bars and (not has_volume or series[VOLUME, i] > 0.0)
    should = min(wanted.liquid_bars, back + 1)
    turnover = np.nan
    if has_volume and t + 1 - wanted.liquid_bars >= begin:
        values = np.empty(wanted.liquid_bars)
        for n in range(wanted.liquid_bars):
            i = t + 1 - wanted.liquid_bars + n
            volume = series[VOLUME, i]
            values[n] = abs(series[CLOSE, i]) * volume if volume > 0.0 else 0.0
        turnover = _median(values) * point_value
    return should - there, should, has_volume, turnover


@compiled
def look(
    columns: Floats,
    deep: Floats,
    times: Integers,
    begins: tuple[Integers, Integers],
    spots: Integers,
    of: Integers,
    bars: Integers,
    leans: Floats,
    ways: Floats,
    in_time: tuple[Integers, Integers],
    dates: Integers,
    rules_of_one: NDArray[Any],
    wanted_of_one: NDArray[Any],
    markets: NDArray[Any],
    all_bands: Floats,
    out: Any,
) -> None:
    """Judge the surroundings of setups at each of ``spots`` (row of its series, bar and sign).

    ``bars`` counts those of each setup. The first three are the windows of a pool; bars before ``begins`` (in
    ``columns`` and in ``deep``) do not exist. ``leans`` are those of the coarser timeframe's last bar, NaN if unknown;
    ``ways`` are entry, risk and obstacle of the entry followed, in units, NaN if there is no such price. ``in_time``
    has the places of the spots in the timetable: the numbers of the last bars, without a column if they are unknown,
    and, for each setup, its number of sessions and the bars of the session before and after it. The instrument of a
    spot is number ``of`` among ``markets`` (MARKET) and ``all_bands``; ``dates`` (2 × all) are begin and end of their
    dates, one instrument's after the other's.

    ``out`` are arrays with a row for each spot: ``measured`` and ``said`` with a column for each of PARTS, ``counts``
    with SHOULD, VOLUMES and NEAREST, and ``whole`` with FAILS, HOLDS or UNJUDGED for each surrounding.
    """
    rules, wanted, shift = rules_of_one[0], wanted_of_one[0], deep.shape[2] - columns.shape[2]
    all_measured, all_said, counts, whole = out
    numbers, hours = in_time
    for k in range(len(spots)):
        row, t, sign, market, bands = spots[k, 0], spots[k, 1], float(spots[k, 2]), markets[of[k]], all_bands[of[k]]
        series, measured, said, count = columns[row], all_measured[k], all_said[k], counts[k]
        close, atr, tie = series[CLOSE, t], series[ATR, t], TIE * abs(series[CLOSE, t])
        price, risk, obstacle = ways[k, 0], ways[k, 1], ways[k, 2]
        measured[:] = np.nan
        measured[TREND] = trend(series, t, sign, rules.average_rise)
        said[TREND] = measured[TREND] >= 0.0

        measured[COARSER] = sign * leans[k] + 0.0  # there is no negative zero
        said[COARSER] = measured[COARSER] >= 0.0
        if np.isnan(leans[k]):
            said[COARSER] = FEW_COARSER if market.coarser else NO_COARSER

        ratio = volatility(deep[row], t + shift, begins[1][k], rules.volatility_length)
        measured[VOLATILITY] = ratio
        said[VOLATILITY] = FEW_BARS if np.isnan(ratio) else int(ratio <= wanted.loud * (1.0 + TIE))

        if np.isnan(risk):
            said[ROOM] = said[RISK] = said[RISK_SIZE] = NO_RISK
        else:
            ahead, equal = sign * (obstacle - price) + 0.0, TIE * risk
            measured[ROOM] = ahead / risk
            said[ROOM] = NO_OBSTACLE if np.isnan(obstacle) else int(ahead >= wanted.min_room * risk - equal)
            measured[RISK_SIZE] = risk / market.units / atr if atr != 0.0 else np.nan
            said[RISK_SIZE] = int(risk / market.units <= wanted.max_risk * atr + tie)

        said[COST] = NO_COSTS if not market.costs_given else NO_RISK
        if market.costs_given and not np.isnan(risk):
            cost, scaled = market.cost + market.cost_part * abs(price), risk * market.cost_scale
            measured[COST] = cost / scaled
            said[COST] = int(cost <= wanted.max_cost * scaled * (1.0 + TIE))

        step = step_at(close, bands)
        smallest = np.inf
        for i in range(t + 1 - bars[k], t + 1):
            smallest = min(smallest, series[HIGH, i] - series[LOW, i])
        measured[RANGE] = smallest / (step / market.units)
        said[RANGE] = int(smallest >= wanted.range_steps * step / market.units - tie)
        if not np.isnan(risk):
            measured[RISK] = risk / step
            said[RISK] = int(risk >= wanted.risk_steps * step)
        missing, should, has_volume, turnover = _traded(series, t, begins[0][k], numbers[k], wanted, market.point_value)
        count[SHOULD], count[VOLUMES] = should, has_volume
        measured[TRADED], said[TRADED] = missing, int(missing <= wanted.max_missing)
        if not has_volume and numbers.shape[1] == 0:
            measured[TRADED], said[TRADED] = np.nan, NO_VOLUME
        measured[TURNOVER], said[TURNOVER] = turnover, NOT_ASKED
        if not np.isnan(wanted.min_turnover):
            said[TURNOVER] = int(turnover >= wanted.min_turnover * (1.0 - TIE))
            if np.isnan(turnover):
                said[TURNOVER] = NO_TURNOVER

        said[SESSIONS] = said[BEFORE] = said[AFTER] = market.hours
        if market.hours == HOLDS:
            for part in range(3):
                measured[SESSIONS + part] = hours[k, part]
            said[SESSIONS] = int(hours[k, 0] == 1)
            said[BEFORE] = int(hours[k, 1] >= wanted.skip_open)
            said[AFTER] = int(hours[k, 2] >= wanted.skip_close)

        said[DATES], count[NEAREST] = NO_DATE if market.dates else NO_DATES, 0
        moment, least, own = times[row, 1, t], 0, dates[:, market.first_date : market.end_date]
        for n in range(own.shape[1]):
            away = max(own[0, n] - moment, moment - own[1, n], 0)
            if n == 0 or away < least or (away == least and own[0, n] < own[0, count[NEAREST]]):
                count[NEAREST], least = n, away
        if own.shape[1]:
            measured[DATES], said[DATES] = least, int(least > market.keep_away)

        widest = 0.0
        for i in range(t + 2 - bars[k], t + 1):
            widest = max(widest, abs(series[OPEN, i] - series[CLOSE, i - 1]))
        said[GAP] = ONE_BAR
        if bars[k] > 1:
            measured[GAP] = widest / atr if atr != 0.0 else np.nan
            said[GAP] = int(widest <= wanted.pause_gap * atr + tie)

        for name in range(len(IN_PARTS) - 1):
            whole[k, name] = HOLDS
            for part in range(IN_PARTS[name], IN_PARTS[name + 1]):
                if said[part] > NOT_ASKED and whole[k, name] == HOLDS:
                    whole[k, name] = UNJUDGED
                if said[part] == FAILS:
                    whole[k, name] = FAILS
