"""The running sum of R, with the fan in which it would mostly lie under chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.ticker import MaxNLocator

from scanner.present.chart.look import BAND, DASHED, INK, PALE, font
from scanner.present.study.numbers import in_r
from scanner.present.study.pictures.axes import SMALL, Plot, finish, sheet, signed, svg
from scanner.wording.times import closing_date
from scanner.wording.words import counted

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from scanner.studies.figures.results import Running

HEIGHT = 300


def running(of: Running) -> Plot:
    """Draw the running sum, which has at least one point."""
    last, first = of.trades[-1], closing_date(of.times[0])
    inside = of.low[-1] <= of.total[-1] <= of.high[-1]
    return Plot(
        svg(lambda: _compose(of)),
        f"A line that ends at {in_r(of.total[-1])} R after {counted(last, 'trade')}, "
        f"{'inside' if inside else 'outside'} the fan of chance, which there spans {in_r(of.low[-1])} to "
        f"{in_r(of.high[-1])} R",
        f"Sum of net R in the order of entries, {first} to {closing_date(of.times[-1])}. If each trade is worth "
        f"{in_r(of.under)} R, as by chance on the same bars, the shaded fan contains 95 of 100 such lines at each "
        f"number of trades, and {100 * of.throughout:.0f} of 100 stay in it throughout.",
    )


def _compose(of: Running) -> Figure:
    figure, axes = sheet(HEIGHT)
    axes.fill_between(
        of.trades,
        of.low,
        of.high,
        facecolor=BAND,
        edgecolor=PALE,
        linewidth=0.8,
        label="95 of 100 at each place",
    )
    axes.plot(of.trades, of.middle, color=PALE, linestyle=DASHED, linewidth=1.2, label="middle of chance")
    axes.axhline(0, color=PALE, linewidth=0.8)
    mark = "o" if len(of.trades) == 1 else ""
    axes.plot(of.trades, of.total, color=INK, linewidth=1.7, marker=mark, label="these trades")
    axes.legend(
        prop=font(SMALL),
        frameon=False,
        # Every line begins at 0, so the side that reaches further is empty there.
        loc="upper left" if max(of.high) >= -min(of.low) else "lower left",
        handlelength=2.4,
    )
    axes.margins(x=0.02, y=0.12)
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True, min_n_ticks=1))
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
    signed(axes.yaxis)
    finish(axes, "closed trades", "sum of net R")
    return figure
