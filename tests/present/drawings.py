"""What tests read from a chart: its texts and their places."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from scanner.present.chart.chart import painted
from scanner.present.chart.look import HEIGHT, WIDTH

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LARGEST = 60 * 1024


def boxes(figure: Figure, kind: str | None = None) -> list[tuple[str, list[float]]]:
    """Measure the texts of a chart, those of a kind or all: (left, bottom, right, top) in pixels."""
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]  # the library leaves it untyped
    texts = [each for each in figure.findobj(Text) if isinstance(each, Text) and each.get_text()]
    return [
        (text.get_text(), list(text.get_window_extent(renderer).extents))
        for text in texts
        if kind is None or text.get_gid() == kind
    ]


def assert_all_readable(figure: Figure) -> None:
    """Check that every text lies on the sheet and that no two overlap."""
    found = boxes(figure)
    for text, (left, bottom, right, top) in found:
        assert 0 <= left < right <= WIDTH, text
        assert 0 <= bottom < top <= HEIGHT, text
    for (one, (a, b, c, d)), (other, (e, f, g, h)) in combinations(found, 2):
        assert c <= e or g <= a or d <= f or h <= b, f"{one!r} meets {other!r}"


def words_in(figure: Figure) -> list[str]:
    """Give the texts of a chart, as its SVG has them."""
    svg = painted(lambda: figure, "svg")
    return [
        "".join(node.itertext()).strip()
        for node in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")  # noqa: S314 - we have just written it
    ]
