"""The pictures of a report: their texts are readable, and they show the results in the right order and number."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg

from scanner.present.study.pictures import distribution, forest, reached, running, where_when
from scanner.present.study.rules import best_first
from scanner.studies.figures.results import Breakdown
from tests.studies.samples import MANY, report_of_many

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.figure import Figure

EDGES = np.arange(distribution.LOW, distribution.HIGH + distribution.STEP / 2, distribution.STEP)
NET = np.array(MANY)


def groups(count: int, name: str) -> Breakdown:
    return Breakdown("group", tuple(replace(report_of_many().all, name=f"{name} {number}") for number in range(count)))


def of_long_names() -> Figure:
    return forest._compose(
        [
            replace(each, variant=replace(each.variant, name=f"three_bar_pullback: {'long_' * 6}{number} -20 %"))
            for number, each in enumerate(report_of_many().rules.variants)
        ]
    )


def of_running() -> Figure:
    running_sum = report_of_many().running
    assert running_sum is not None
    return running._compose(running_sum)


PICTURES: dict[str, Callable[[], Figure]] = {
    "distribution": lambda: distribution._compose(NET, NET[:50], 0.1),
    "distribution of one": lambda: distribution._compose(NET[:1], NET[:0], 0.1),
    "running": of_running,
    "reached": lambda: reached._compose(np.maximum(NET, 0.2), np.minimum(NET, -0.1), NET > 0),
    "forest": lambda: forest._compose(best_first(report_of_many().rules.variants)),
    "forest of long names": of_long_names,
    "years": lambda: where_when._compose(next(each for each in report_of_many().breakdowns if each.by == "year")),
    "few groups": lambda: where_when._compose(groups(2, "$\\alpha$ and more than there is room for")),
    "many groups": lambda: where_when._compose(groups(40, "WWWWWWWWWWWWWWW")),
}


def boxes(figure: Figure) -> list[tuple[str, list[float]]]:
    """Measure every drawn text: (left, bottom, right, top) in pixels."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]  # the library leaves it untyped
    (axes,) = figure.axes
    texts = [*axes.texts, axes.xaxis.label, axes.yaxis.label]
    for axis in (axes.xaxis, axes.yaxis):
        low, high = sorted(axis.get_view_interval())
        texts += [tick.label1 for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    legend = axes.get_legend()
    texts += [] if legend is None else legend.get_texts()
    return [(text.get_text(), list(text.get_window_extent().extents)) for text in texts if text.get_text()]


@pytest.mark.parametrize("compose", PICTURES.values(), ids=PICTURES)
def test_all_texts_are_readable(compose: Callable[[], Figure]) -> None:
    figure = compose()
    found, (wide, high) = boxes(figure), figure.bbox.max
    assert len(found) > 4
    for text, (left, bottom, right, top) in found:
        assert 0 <= left < right <= wide, text
        assert 0 <= bottom < top <= high, text
    for (one, (a, b, c, d)), (other, (e, f, g, h)) in combinations(found, 2):
        assert c <= e or g <= a or d <= f or h <= b, f"{one!r} meets {other!r}"


@given(st.lists(st.integers(-500, 900).map(lambda each: each / 100), min_size=1, max_size=60))
def test_every_trade_is_in_one_bar_and_a_zero_is_no_gain(net: list[float]) -> None:
    shares = distribution._shares(np.array(net), EDGES)
    for share, low, high in zip(shares, EDGES[:-1], EDGES[1:], strict=True):
        first, last = low == EDGES[0], high == EDGES[-1]
        inside = [each for each in net if (first or each > low) and (last or each <= high)]
        assert share == pytest.approx(100 * len(inside) / len(net))
    assert shares[EDGES[:-1] >= 0].sum() == pytest.approx(100 * sum(each > 0 for each in net) / len(net))


def test_the_changes_are_in_order_with_their_intervals() -> None:
    changes = best_first(report_of_many().rules.variants)
    figure = forest._compose(changes)
    names = [text for text, _ in sorted(boxes(figure), key=lambda each: -each[1][1]) if text.startswith("doji_pause")]
    assert names == [each.variant.name for each in changes]
    (whiskers,) = [each for each in figure.axes[0].collections if len(each.get_paths()) == len(changes)]
    for path, each in zip(whiskers.get_paths(), changes[::-1], strict=True):
        vertices: Any = path.vertices
        ends = vertices[:, 0].tolist()
        if each.corrected.low is None:
            assert np.isnan(ends).all()
        else:
            assert ends == [each.corrected.low, each.corrected.high]


def test_of_too_many_trades_some_are_drawn_and_all_are_counted() -> None:
    many = np.tile(NET, 10)
    told = reached.reached(np.maximum(many, 0), np.minimum(many, 0), many, seed=1)
    assert told == reached.reached(np.maximum(many, 0), np.minimum(many, 0), many, seed=1)
    assert "4,000 closed trades reached while open, before costs, 1,500 of them at random" in told.below
