"""A sheet to draw on, measured in pixels from its lower left corner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.lines import Line2D
from matplotlib.text import Text

from scanner.present.chart.look import GRID, HEIGHT, PALE, POINTS, TICK, WIDTH, font, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LONGEST = 120
"""Most letters of a text in any case."""


@dataclass(frozen=True, slots=True)
class Box:
    """A part of the sheet, in pixels."""

    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class Scale:
    """Where bars and prices lie on the sheet: the ranges that a box spans."""

    box: Box
    bars: tuple[float, float]
    prices: tuple[float, float]

    def x(self, bar: float) -> float:
        """Give the pixels from the left."""
        low, high = self.bars
        return self.box.left + (bar - low) / (high - low) * (self.box.right - self.box.left)

    def y(self, price: float) -> float:
        """Give the pixels from the bottom."""
        low, high = self.prices
        return self.box.bottom + (price - low) / (high - low) * (self.box.top - self.box.bottom)


class Sheet:
    """A figure with texts and lines at pixels."""

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self._measure = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]  # the library leaves it untyped

    def width(self, words: str, pixels: float, *, bold: bool = False) -> float:
        """Measure a line of text."""
        return float(self._measure.get_text_width_height_descent(words, font(pixels, bold=bold), ismath=False)[0])

    def fitted(self, words: str, pixels: float, room: float) -> str:
        """Cut a text from outside that is too long for its room."""
        length = LONGEST
        while self.width(fitting := shown(words, length), pixels) > room:
            length = len(fitting) - 1
        return fitting

    def text(
        self,
        x: float,
        y: float,
        words: str,
        pixels: float,
        color: str,
        *,
        bold: bool = False,
        align: Literal["left", "right", "center"] = "left",
        kind: str = "",
    ) -> None:
        """Write a line of text on its base line ``y``.

        ``kind`` marks it, so that it can be found again.
        """
        self.figure.add_artist(
            Text(
                x / WIDTH,
                y / HEIGHT,
                words,
                color=color,
                fontproperties=font(pixels, bold=bold),
                horizontalalignment=align,
                parse_math=False,
                transform=self.figure.transFigure,
                gid=kind or None,
            )
        )

    def line(self, xs: Sequence[float], ys: Sequence[float], color: str, style: Any, width: float) -> None:  # noqa: ANN401 - the library's line styles are names or tuples
        """Draw a line; ``width`` is in pixels, too."""
        self.figure.add_artist(
            Line2D(
                [x / WIDTH for x in xs],
                [y / HEIGHT for y in ys],
                color=color,
                linestyle=style,
                linewidth=width * POINTS,
                transform=self.figure.transFigure,
            )
        )

    def named_line(self, x: float, y: float, words: str, color: str, style: Any, width: float) -> float:  # noqa: ANN401 - as above
        """Draw a short line with its name beside it, for a legend; gives where the next one may begin."""
        self.line((x, x + 34), (y + 6, y + 6), color, style, width)
        self.text(x + 42, y, words, TICK, PALE)
        return x + 42 + self.width(words, TICK) + 20

    def mark(self, x: float, y: float, marker: str, color: str, size: float) -> None:
        """Draw one of the library's markers; ``size`` is in pixels."""
        self.figure.add_artist(
            Line2D(
                [x / WIDTH],
                [y / HEIGHT],
                color=color,
                linestyle="none",
                marker=marker,
                markersize=size * POINTS,
                transform=self.figure.transFigure,
            )
        )

    def panel(self, scale: Scale) -> Axes:
        """Make the axes of a scale, without the library's frame and ticks."""
        box = scale.box
        wide, high = box.right - box.left, box.top - box.bottom
        axes = self.figure.add_axes(
            (box.left / WIDTH, box.bottom / HEIGHT, wide / WIDTH, high / HEIGHT), facecolor="none"
        )
        axes.set_xlim(*scale.bars)
        axes.set_ylim(*scale.prices)
        axes.set_xticks([])
        axes.set_yticks([])
        for side, spine in axes.spines.items():
            spine.set_visible(side == "bottom")
            spine.set_color(GRID)
        return axes
