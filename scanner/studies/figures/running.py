"""What depends on the order of trades: the running sum, its worst runs and falls, compared with chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.studies.figures.months import chance_of
from scanner.studies.figures.results import Beside, Running

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.studies.figures.months import Floats, Integers

SHUFFLES, FEW_SHUFFLES = 1_000, 100
AT_ONCE = 200_000
"""Results shuffled together, so that they stay in the processor's cache."""
MOST_SHUFFLED = 5_000_000
"""Results shuffled in all; but there are at least FEW_SHUFFLES shuffles."""
USUAL, BAD = 0.5, 0.95
PATHS = 1_000
"""Running sums for the fan; fewer, but at least FEW_SHUFFLES, if they have more than MOST_SHUFFLED results."""
POINTS = 300
"""Points of a running sum, at most."""
FAN = (0.025, 0.5, 0.975)


def losing_runs(results: Floats) -> NDArray[np.int64]:
    """Count the longest run of results that are not above 0, in each row."""
    rows, size = results.shape
    won = np.ones((rows, size + 1), dtype=np.bool_)  # each row starts as after a winner
    won[:, 1:] = results > 0
    places = np.flatnonzero(won)
    lost = np.diff(places, append=won.size) - 1
    longest: NDArray[np.int64] = np.maximum.reduceat(lost, np.searchsorted(places, np.arange(0, won.size, size + 1)))
    return longest


def drawdowns(results: Floats) -> Floats:
    """Give the deepest fall of the running sum below its maximum, which starts at 0, in each row."""
    running = results.cumsum(axis=1)
    below = np.maximum.accumulate(running, axis=1)
    np.maximum(below, 0, out=below)
    below -= running
    deepest: Floats = below.max(axis=1)
    return deepest


def beside_shuffles(results: Floats, shuffles: int, seed: int) -> tuple[Beside, Beside]:
    """Give the worst losing run and drawdown of results in their order, compared with shuffles of the same results.

    So chance has the same results, and the same share of winners.
    """
    size = len(results)
    chance = chance_of(seed, "shuffles", size)
    wanted = max(FEW_SHUFFLES, min(shuffles, MOST_SHUFFLED // size))
    step = max(AT_ONCE // size, 1)
    runs, falls = [], []
    for done in range(0, wanted, step):
        rows = np.broadcast_to(np.sort(results), (min(step, wanted - done), size))
        shuffled = chance.permuted(rows, axis=1)
        runs.append(losing_runs(shuffled))
        falls.append(drawdowns(shuffled))
    own = losing_runs(results[None])[0], drawdowns(results[None])[0]
    return _beside(float(own[0]), np.concatenate(runs)), _beside(float(own[1]), np.concatenate(falls))


def _beside(own: float, chance: NDArray[np.int64] | Floats) -> Beside:
    usual, bad = np.quantile(chance, (USUAL, BAD), method="higher")
    return Beside(own, float(usual), float(bad))


def running_of(results: Floats, month: Integers, entered_at: Integers, under: float, seed: int) -> Running | None:
    """Give the running sum of results in the order of entries, with its fan if their mean is ``under``.

    The fan is made of whole months drawn with replacement, one after the other, from the results shifted to that mean.
    None without results.
    """
    size = len(results)
    if not size:
        return None
    points = np.unique(np.linspace(1, size, min(size, POINTS)).round().astype(np.int64)) - 1
    total = results.cumsum()[points]
    by_month = np.argsort(month, kind="stable")
    moved = (results - results.mean() + under)[by_month]
    starts = np.flatnonzero(np.diff(month[by_month], prepend=month.min() - 1))
    months = np.split(moved, starts[1:])
    chance = chance_of(seed, "fan", size)
    paths = np.empty((max(FEW_SHUFFLES, min(PATHS, MOST_SHUFFLED // size)), len(points)))
    for path in paths:
        drawn: list[Floats] = []
        while sum(map(len, drawn)) < size:
            drawn += [months[number] for number in chance.integers(len(months), size=len(months))]
        path[:] = np.concatenate(drawn)[:size].cumsum()[points]
    low, middle, high = np.quantile(paths, FAN, axis=0)
    return Running(
        under=under,
        times=tuple(entered_at[points].tolist()),
        trades=tuple((points + 1).tolist()),
        total=tuple(total.tolist()),
        low=tuple(low.tolist()),
        middle=tuple(middle.tolist()),
        high=tuple(high.tolist()),
        throughout=float(((low <= paths) & (paths <= high)).all(axis=1).mean()),
    )
