"""What the pictures of a report share: their size, their axes, and how they become SVG.

They are as wide as a phone, so that they can be read there; whatever colour shows, shape shows too.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from scanner.present.chart.chart import painted
from scanner.present.chart.look import DPI, GRID, INK, PALE, PAPER, font

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

WIDTH = 400
SMALL = 11.0
TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture as SVG, with a description and a caption."""

    svg: bytes
    alt: str
    below: str


def svg(composed: Callable[[], Figure]) -> bytes:
    """Compose a figure and write its letters as paths, so that it looks the same everywhere."""
    return painted(composed, "svg", as_paths=True)


def sheet(height: float, *, left: float = 48) -> tuple[Figure, Axes]:
    """Make a figure with its axes; all lengths are in pixels."""
    figure = Figure(figsize=(WIDTH / DPI, height / DPI), dpi=DPI, facecolor=PAPER)
    top, bottom, right = 24.0, 42.0, 12.0
    box = (left / WIDTH, bottom / height, 1 - (left + right) / WIDTH, 1 - (top + bottom) / height)
    return figure, _styled(figure.add_axes(box))


def _styled(axes: Axes) -> Axes:
    axes.set_facecolor(PAPER)
    for side, spine in axes.spines.items():
        spine.set_visible(side in {"left", "bottom"})
        spine.set_color(PALE)
    axes.grid(visible=True, axis="y", color=GRID, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(colors=PALE, length=3, labelcolor=INK)
    return axes


def finish(axes: Axes, x: str, y: str) -> None:
    """Name the axes and set the letters of their numbers; the vertical one is named above its end."""
    for label in [*axes.get_xticklabels(), *axes.get_yticklabels()]:
        label.set_fontproperties(font(SMALL))
        label.set_parse_math(False)
    axes.set_xlabel(x, fontproperties=font(SMALL), color=INK, parse_math=False, labelpad=3)
    write(axes, 0, 1, y, (0, 7), align="left", coordinates="axes fraction")


def signed(axis: Axis, most: int = 6) -> None:
    """Put a few round numbers with their signs on an axis."""
    axis.set_major_locator(MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(lambda value, _: "0" if abs(value) < TINY else f"{value:+.4g}".replace("-", "−"))


def write(
    axes: Axes,
    x: float,
    y: float,
    words: str,
    off: tuple[float, float] = (0, 0),
    *,
    align: Any = "left",  # noqa: ANN401 - one of the library's own words
    size: float = SMALL,
    color: str = INK,
    coordinates: Any = "data",  # noqa: ANN401 - as above
) -> None:
    """Write words at a point, ``off`` by pixels."""
    axes.annotate(
        words,
        (x, y),
        xytext=(off[0] * 72 / DPI, off[1] * 72 / DPI),
        textcoords="offset points",
        xycoords=coordinates,
        fontproperties=font(size),
        color=color,
        horizontalalignment=align,
        verticalalignment="baseline",
        parse_math=False,
        annotation_clip=False,
        bbox={"facecolor": PAPER, "edgecolor": "none", "boxstyle": "round,pad=0.08", "alpha": 0.85},
    )


def bounds(values: Iterable[float], least: float) -> tuple[float, float]:
    """Give a range around values and 0, at least ``least`` to each side of 0, with room at its ends; NaN is left out.

    >>> bounds([1.0, float("nan")], 0.25)
    (-0.325, 1.075)
    """
    known = [value for value in values if not isnan(value)]
    low, high = min([-least, *known]), max([least, *known])
    room = 0.06 * (high - low)
    return low - room, high + room
