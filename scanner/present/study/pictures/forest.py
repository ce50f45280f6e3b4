"""Every change of the rules with its difference from the rules as they are, and the interval that holds for all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.present.chart.look import GRID, INK, PALE, PAPER, SLOW, shown
from scanner.present.study.numbers import in_r
from scanner.present.study.pictures.axes import SMALL, Plot, bounds, finish, sheet, signed, svg, write
from scanner.present.study.rules import best_first

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from scanner.studies.figures.results import RuleChanges, VariantResult

ROW, ENDS = 19.0, 66.0
LEFT = 206.0
LONGEST, END = 36, 9
"""Letters of a name; a longer one is cut in its middle, since its end says how far a setting was changed."""
MOST = 60
"""Most changes drawn: of more, those with the greatest differences to each side."""


def forest(rules: RuleChanges) -> Plot | None:
    """Draw the changes that have a difference, best first; None if there are none."""
    there = [each for each in best_first(rules.variants) if each.difference.value is not None]
    if not there:
        return None
    kept = there if len(there) <= MOST else [*there[: MOST // 2], *there[-MOST // 2 :]]
    some = f" Drawn are the {MOST} furthest of {len(there):,}; the table has all." if len(kept) < len(there) else ""
    differ = [each.variant.name for each in there if each.differs]
    best, worst = (f"{each.variant.name} ({in_r(each.difference.value)} R)" for each in (there[0], there[-1]))
    return Plot(
        svg(lambda: _compose(kept)),
        f"A line for each of {len(kept):,} changes of the rules, from {shown(best, 80)} down to {shown(worst, 80)}; "
        f"{len(differ):,} of the intervals exclude 0",
        "Difference in mean R from the rules as they are, which are the line at 0. The bars hold for all changes at "
        f"once; a full marker has one that excludes 0, a cross has too few trades for any.{some}",
    )


def _short(text: str) -> str:
    """Cut a name.

    >>> _short("own_three_drives: highest_among_last +25 %")
    'own_three_drives: highest_a…st +25 %'
    """
    return shown(text if len(text) <= LONGEST else f"{text[: LONGEST - END]}…{text[1 - END :]}", LONGEST)


def _compose(changes: list[VariantResult]) -> Figure:
    figure, axes = sheet(ENDS + ROW * len(changes), left=LEFT)
    axes.grid(visible=False)
    axes.grid(visible=True, axis="x", color=GRID, linewidth=0.8)
    axes.axvline(0, color=INK, linewidth=1.3)
    upwards = changes[::-1]
    value, low, high = (
        np.array([getattr(of, part) for of in intervals], dtype=np.float64)  # None is NaN, which is not drawn
        for intervals, part in (
            ([each.difference for each in upwards], "value"),
            ([each.corrected for each in upwards], "low"),
            ([each.corrected for each in upwards], "high"),
        )
    )
    axes.hlines(range(len(upwards)), low, high, color=SLOW, linewidth=2.2)
    for row, each in enumerate(upwards):
        bare = bool(np.isnan(low[row]))
        axes.plot(
            value[row],
            row,
            marker="x" if bare else "o",
            color=PALE if bare else SLOW,
            markersize=6,
            markerfacecolor=SLOW if each.differs else PAPER,
            linestyle="",
        )
        words, color = _short(each.variant.name), PALE if bare else INK
        write(
            axes,
            0,
            row,
            words,
            (-6, -4),
            align="right",
            size=SMALL - 1.5,
            color=color,
            coordinates=axes.get_yaxis_transform(),
        )
    axes.set_xlim(*bounds([*value, *low, *high], 0.05))
    axes.set_ylim(-0.7, len(changes) - 0.3)
    axes.set_yticks([])
    signed(axes.xaxis, 5)
    finish(axes, "difference in mean R", "")
    return figure
