"""Controls: bars drawn at random from the series of a setup, traded on the same side with the same risk in ATR."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from scanner.analysis.columns import ATR, CLOSE, CROSS, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.door.setup import LEVELS
from scanner.analysis.rules import TIE
from scanner.compiling import compiled
from scanner.follow.begun import begun
from scanner.trade import plan
from scanner.trade.levels import entry, step_at, together

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool
    from scanner.studies.schema import Source
    from scanner.trade.levels import Grid

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

FRESH = 10
"""The number of bars for which a cross of the MACD line counts as fresh."""

LONG_FRESH, SHORT_FRESH, ABOVE_SLOW, BELOW_SLOW, ABOVE_FAST, BELOW_FAST, CAN_BE_DRAWN = (1 << bit for bit in range(7))
"""Marks of a bar, a bit each; equal to an average is neither above nor below it. A bar on hold has none."""

AMONG = {"chance": 1, "chance_cross": 5}
"""Bars examined for each bar needed. About one in five has a fresh cross and the right side."""

MOST, FEWER, FEWEST = 20, 10, 4
MANY_SERIES, VERY_MANY_SERIES = 200, 1_000
MOST_OF_A_SERIES = 2_000


def draws_for(series: int) -> int:
    """Give the most bars to draw for each setup and source, by the number of series in a study.

    20; 10 for more than 200 series, and 4 for more than 1,000.
    """
    return MOST if series <= MANY_SERIES else FEWER if series <= VERY_MANY_SERIES else FEWEST


def for_each_setup(draws: int, setups: int) -> int:
    """Give the bars to draw for each setup of a series: ``draws``, but no more than 2,000 in all.

    There is at least one for each.
    """
    return max(1, min(draws, MOST_OF_A_SERIES // max(setups, 1)))


class Wanted(NamedTuple):
    """A setup that needs controls: its planned risk, and the distance of its spoiler from its close, in ATR.

    ``spoiler`` is its LEVELS record; ``spoiler_atr`` is NaN if no price spoils it.
    """

    thread: str
    setup: str
    sign: int
    ride: bool
    spoiler: np.void
    risk_atr: float
    spoiler_atr: float


@dataclass(frozen=True, slots=True)
class DrawnBar:
    """A bar drawn for a setup, by when it closed."""

    id: str
    source: Source
    close_time: int
    setup: Wanted


@compiled
def mark_bars(columns: Floats, rows: Integers, first: Integers, end: Integers, marks: NDArray[np.uint8]) -> None:
    """Mark the bars first[k]…end[k]−1 of the series rows[k], one series after the other."""
    n = 0
    for k in range(len(rows)):
        series = columns[rows[k]]
        for t in range(first[k], end[k]):
            close, cross = series[CLOSE, t], series[CROSS, t]
            slow, fast, tie = close - series[SLOW_AVERAGE, t], close - series[FAST_AVERAGE, t], TIE * abs(close)
            marks[n] = (
                CAN_BE_DRAWN
                | LONG_FRESH * (0 < cross <= FRESH + 1)
                | SHORT_FRESH * (-FRESH - 1 <= cross < 0)
                | ABOVE_SLOW * (slow > tie)
                | BELOW_SLOW * (slow < -tie)
                | ABOVE_FAST * (fast > tie)
                | BELOW_FAST * (fast < -tie)
            )
            n += 1


def draw(
    setups: Sequence[Wanted], times: Integers, marks: NDArray[np.uint8], style: str, each: int, seed: str
) -> Iterator[DrawnBar]:
    """Draw ``each`` different bars for each setup and source, on average or fewer.

    ``times`` (closes) and ``marks`` are those of all bars of the series from the first that can be warm. Bars are drawn
    by number, from the seed, the setup and the number of bars; then only those that fit are kept. So no draw depends on
    a later bar. For an average entry only bars on the near side of the fast average fit.
    """
    for setup in setups:
        fresh, beyond, past = (
            (LONG_FRESH, ABOVE_SLOW, ABOVE_FAST) if setup.sign > 0 else (SHORT_FRESH, BELOW_SLOW, BELOW_FAST)
        )
        sources: tuple[Source, Source] = ("chance", "chance_cross")
        for source in sources:
            digest = sha256(f"{seed}\x1f{setup.thread}\x1f{source}".encode()).digest()
            rng = np.random.default_rng(np.frombuffer(digest, dtype=np.uint32))
            places = np.sort(rng.choice(len(marks), min(each * AMONG[source], len(marks)), replace=False))
            mark = marks[places]
            fits = mark & CAN_BE_DRAWN != 0
            if style == "average":
                fits &= mark & past == 0
            if source == "chance_cross":
                fits &= (mark & fresh != 0) & ((mark & beyond != 0) == setup.ride)
            for number, place in zip(np.flatnonzero(fits).tolist(), places[fits].tolist(), strict=True):
                yield DrawnBar(f"{setup.thread}.{source}.{number}", source, int(times[place]), setup)


def begun_controls(
    pool: Pool, drawn: Sequence[DrawnBar], spots: Integers, of: Integers, grids: Sequence[Grid]
) -> tuple[Integers, NDArray[Any]]:
    """Plan controls at ``spots`` (row, bar, sign); ``of`` are the numbers of their grids.

    Returns the numbers of those that leave a risk, and the records with which they begin.
    """
    risks, distances = (np.array([getattr(each.setup, name) for each in drawn]) for name in ("risk_atr", "spoiler_atr"))
    spoilers, both = np.array([each.setup.spoiler for each in drawn], dtype=LEVELS), together(tuple(grids))
    prices, rides, beyond = np.empty((4, len(spots))), np.empty(len(spots), dtype=np.bool_), np.empty(len(spots))
    _plan(
        pool.columns,
        spots,
        of,
        both,
        plan.STYLES.index(pool.rules.entry_style),
        risks,
        distances,
        prices,
        rides,
        beyond,
    )
    spoilers["beyond"] = beyond
    planned = np.flatnonzero(spots[:, 2] * (prices[0] - prices[1]) > 0.0)
    own = (spots[planned], np.ascontiguousarray(prices[:, planned]), rides[planned], spoilers[planned])
    return planned, begun(pool, *own)


@compiled
def _plan(
    columns: Floats,
    spots: Integers,
    of: Integers,
    grids: tuple[Floats, Floats],
    style: int,
    risks: Floats,
    distances: Floats,
    prices: Floats,
    rides: NDArray[np.bool_],
    beyond: Floats,
) -> None:
    """Fill what ``begun`` takes for controls, in real prices; NaN without an entry. None has a trend line.

    A break entry must beat the bar's own extreme. The stop lies on the step at which the risk in ATR (``risks``) is
    nearest to the setup's. A control is spoiled before its entry as the setup is: by as many bars or closes, by the
    same average, or by a price equally far from the close in ATR (``distances``).
    """
    for k in range(len(spots)):
        series, t, sign = columns[spots[k, 0]], spots[k, 1], float(spots[k, 2])
        bands, units, close, atr = grids[0][of[k]], grids[1][of[k]], series[CLOSE, t], series[ATR, t]
        trigger = series[HIGH, t] if sign > 0 else series[LOW, t]
        price = entry(series, t, sign, style, trigger, bands, units) / units
        away = price - sign * risks[k] * atr
        step = step_at(away, bands)
        lots = away * units / step
        prices[0, k], prices[1, k] = price, np.sign(lots) * np.floor(abs(lots) + 0.5) * step / units
        prices[2, k], prices[3, k] = np.nan, 0.0
        rides[k] = sign * (close - series[SLOW_AVERAGE, t]) > TIE * abs(close)
        beyond[k] = close - sign * distances[k] * atr
