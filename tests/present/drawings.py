"""What tests read from a chart: its texts and their places."""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg

from scanner.present.chart.look import HEIGHT, WIDTH

if TYPE_CHECKING:
    from typing import Literal

    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties
    from matplotlib.text import Text
    from numpy.typing import ArrayLike

LARGEST = 60 * 1024


class Drawn(NamedTuple):
    """A text, the kind that it is marked with, and (left, bottom, right, top) in pixels."""

    text: str
    kind: str | None
    box: list[float]


class Listener(RendererBase):
    """Measures as a renderer does, draws nothing, and keeps the texts that it is asked to draw."""

    def __init__(self, figure: Figure) -> None:
        super().__init__()
        self._measure: RendererBase = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]  # the library leaves it untyped
        self.drawn: list[Drawn] = []

    def draw_path(self, *_: object) -> None:
        """Leave it out."""

    def draw_text(self, *given: object, ismath: object = False, mtext: Text | None = None) -> None:
        """Keep a text with its place."""
        words = str(given[3])
        assert mtext is not None
        assert not ismath, f"{words!r} would be set as a formula"
        self.drawn.append(Drawn(words, mtext.get_gid(), list(mtext.get_window_extent(self).extents)))

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: bool | Literal["TeX"]
    ) -> tuple[float, float, float]:
        """Measure a text."""
        return self._measure.get_text_width_height_descent(s, prop, ismath)

    def points_to_pixels(self, points: ArrayLike) -> ArrayLike:
        """Convert a size."""
        return self._measure.points_to_pixels(points)


@lru_cache(maxsize=1)
def drawn_in(figure: Figure) -> list[Drawn]:
    """Give the texts that are drawn in a chart, each as it is written."""
    listener = Listener(figure)
    figure.draw(listener)
    return listener.drawn


def boxes(figure: Figure, kind: str) -> list[tuple[str, list[float]]]:
    """Give the texts of a kind with their places."""
    return [(each.text, each.box) for each in drawn_in(figure) if each.kind == kind]


def assert_all_readable(figure: Figure) -> None:
    """Check that every text lies on the sheet and that no two overlap."""
    found = drawn_in(figure)
    for text, _, (left, bottom, right, top) in found:
        assert 0 <= left < right <= WIDTH, text
        assert 0 <= bottom < top <= HEIGHT, text
    for (one, _, (a, b, c, d)), (other, _, (e, f, g, h)) in combinations(found, 2):
        assert c <= e or g <= a or d <= f or h <= b, f"{one!r} meets {other!r}"


def words_in(figure: Figure) -> list[str]:
    """Give the texts of a chart."""
    return [each.text.strip() for each in drawn_in(figure)]
