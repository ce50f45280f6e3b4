"""The distribution of R: how often each result occurred, compared with chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patches import Patch

from scanner.present.chart.look import DASHED, GOAL, INK, PAPER, REWARD, STOP, font
from scanner.present.study.numbers import in_r, share
from scanner.present.study.pictures.axes import SMALL, Plot, finish, sheet, signed, svg
from scanner.wording.words import counted

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

LOW, HIGH, STEP = -3.0, 6.0, 0.25
HEIGHT = 300


def distribution(results: NDArray[np.float64], by_chance: NDArray[np.float64], mean: float) -> Plot:
    """Draw the net R of the closed setups, at least one, and that of chance, which may be empty."""
    lost = float(np.mean(results <= 0))
    beside = f" The dashed line is the same for {counted(len(by_chance), 'random trade')}." if len(by_chance) else ""
    return Plot(
        svg(lambda: _compose(results, by_chance, mean)),
        f"Bars by R for {counted(len(results), 'closed trade')}: {share(lost)} lost or broke even; the lowest is "
        f"{in_r(float(results.min()))} R, the highest {in_r(float(results.max()))} R",
        f"Net R of {counted(len(results), 'closed trade')}, in steps of {STEP:g} R; values beyond −{-LOW:g} or "
        f"{HIGH:g} R are in the last bar of their side.{beside}",
    )


def _compose(results: NDArray[np.float64], by_chance: NDArray[np.float64], mean: float) -> Figure:
    figure, axes = sheet(HEIGHT)
    edges = np.arange(LOW, HIGH + STEP / 2, STEP)
    parts = _shares(results, edges)
    for part, left in zip(parts, edges[:-1], strict=True):
        lost = left < 0
        axes.bar(
            left,
            part,
            STEP,
            align="edge",
            facecolor=PAPER if lost else REWARD,
            edgecolor=STOP if lost else GOAL,
            hatch="////" if lost else "",
            linewidth=1.0,
        )
    handles = [Patch(facecolor=PAPER, edgecolor=STOP, hatch="////", label="losses")]
    handles.append(Patch(facecolor=REWARD, edgecolor=GOAL, label="gains"))
    if len(by_chance):
        axes.stairs(_shares(by_chance, edges), edges, color=INK, linestyle=DASHED, linewidth=1.3, label="by chance")
    axes.axvline(mean, color=INK, linewidth=1.6, linestyle=(0, (1, 1)), label=f"mean {in_r(mean)}")
    axes.legend(
        handles=handles + axes.get_legend_handles_labels()[0],
        prop=font(SMALL),
        frameon=False,
        loc="upper right",
        handlelength=2.4,
    )
    axes.set_xlim(LOW, HIGH)
    signed(axes.xaxis, 9)
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    finish(axes, "net R", "% of the trades")
    return figure


def _shares(results: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.float64]:
    # A 0 is not a gain: a bar includes its right end, not its left one.
    found = np.searchsorted(edges, np.clip(results, edges[0], edges[-1]), side="left") - 1
    counts = np.bincount(np.clip(found, 0, None), minlength=len(edges) - 1)
    return np.asarray(100.0 * counts / len(results), dtype=np.float64)
