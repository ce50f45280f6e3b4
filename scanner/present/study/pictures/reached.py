"""The best against the worst R that each trade reached while it was open."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.present.chart.look import GOAL, PALE, STOP, font
from scanner.present.study.numbers import in_r
from scanner.present.study.pictures.axes import SMALL, Plot, finish, sheet, signed, svg
from scanner.wording.words import counted

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

HEIGHT = 320
MOST = 1_500
"""Most trades drawn; of more, this many are chosen at random, since more would be a blot."""
FURTHEST = 98
"""Per cent of the trades whose furthest value ends the scale."""


def reached(best: NDArray[np.float64], worst: NDArray[np.float64], net: NDArray[np.float64], seed: int) -> Plot:
    """Draw a marker for each closed trade, of which there is at least one."""
    total = len(net)
    kept = np.arange(total)
    if total > MOST:
        kept = np.sort(np.random.default_rng(seed).choice(total, MOST, replace=False))
    some = f", {MOST:,} of them at random" if total > MOST else ""
    return Plot(
        svg(lambda: _compose(best[kept], worst[kept], net[kept] > 0)),
        f"Markers for {counted(total, 'closed trade')} by the worst and the best R reached: half of the winners were "
        "at "
        f"{_middle(worst[net > 0])} R or worse before they won, half of the losers at {_middle(best[net <= 0])} R or "
        "better before they lost",
        f"Worst and best R that {counted(total, 'closed trade')} reached while open, before costs{some}; values beyond "
        "the scale are on its edge.",
    )


def _middle(values: NDArray[np.float64]) -> str:
    return in_r(float(np.median(values)) if len(values) else None)


def _compose(best: NDArray[np.float64], worst: NDArray[np.float64], won: NDArray[np.bool_]) -> Figure:
    figure, axes = sheet(HEIGHT)
    high = max(3.0, float(np.percentile(best, FURTHEST)))
    low = min(-1.5, float(np.percentile(worst, 100 - FURTHEST)))
    x, y = np.clip(worst, low, 0), np.clip(best, 0, high)
    axes.plot([low, 0], [-low, 0], color=PALE, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.plot(x[~won], y[~won], "x", color=STOP, markersize=4.5, markeredgewidth=0.9, label="lost")
    axes.plot(x[won], y[won], "o", color=GOAL, markersize=4.5, markeredgewidth=0.9, fillstyle="none", label="won")
    axes.set_xlim(low * 1.04, -low * 0.04)
    axes.set_ylim(-high * 0.03, high * 1.04)
    axes.grid(visible=True, axis="x", color=axes.get_ygridlines()[0].get_color(), linewidth=0.8)
    axes.legend(prop=font(SMALL), frameon=False, loc="upper left", handlelength=1.2)
    signed(axes.xaxis)
    signed(axes.yaxis)
    finish(axes, "worst R reached", "best R reached")
    return figure
