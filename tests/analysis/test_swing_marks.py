"""Swing points against their definition, bar by bar and in slices."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.analysis.columns import FAR_HIGH, FAR_LOW, SWING_HIGH, SWING_LOW
from scanner.analysis.indicators.swing_marks import mark_swings

if TYPE_CHECKING:
    from collections.abc import Sequence


BEFORE = 5
"""Bars of the window that do not exist."""


def marked(lows: Sequence[int], highs: Sequence[int], cuts: Sequence[int], near: int, far: int) -> list[int]:
    """Mark a tape in slices, in a window that begins earlier than the tape does."""
    nothing = [0] * BEFORE
    low, high = np.array([*nothing, *lows], dtype=float), np.array([*nothing, *highs], dtype=float)
    marks = np.full(len(low), 255, dtype=np.uint8)
    edges = sorted({0, *cuts, len(lows)})
    for first, last in pairwise(edges):
        spare = np.empty((4, last - first + 2 * far))
        mark_swings(low, high, marks, BEFORE, BEFORE + first, BEFORE + last, (near, far), spare)
        assert (marks[BEFORE + last :] == 255).all()
    assert (marks[:BEFORE] == 255).all()
    return [int(mark) for mark in marks[BEFORE:]]


def defined(lows: Sequence[int], highs: Sequence[int], near: int, far: int) -> list[int]:
    """Read the definition out: below each of the k before, not above any of the k after."""
    marks = [0] * len(lows)
    for strength, low_bit, high_bit in ((near, SWING_LOW, SWING_HIGH), (far, FAR_LOW, FAR_HIGH)):
        for j in range(strength, len(lows) - strength):
            before, after = slice(j - strength, j), slice(j + 1, j + strength + 1)
            if lows[j] < min(lows[before]) and lows[j] <= min(lows[after]):
                marks[j] |= low_bit
            if highs[j] > max(highs[before]) and highs[j] >= max(highs[after]):
                marks[j] |= high_bit
    return marks


@settings(deadline=None)  # the first example may have to compile
@given(
    lows=st.lists(st.integers(0, 12), min_size=1, max_size=80),
    heights=st.lists(st.integers(0, 4), min_size=80, max_size=80),
    cuts=st.lists(st.integers(1, 79), max_size=6),
    near=st.integers(1, 5),
    more=st.integers(0, 6),
)
def test_swing_points_are_those_of_the_definition_however_the_bars_come(
    lows: list[int], heights: list[int], cuts: list[int], near: int, more: int
) -> None:
    highs = [low + height for low, height in zip(lows, heights, strict=False)]
    wanted = defined(lows, highs, near, near + more)
    within = [cut for cut in cuts if cut < len(lows)]
    for slices in (within, range(1, len(lows))):
        assert marked(lows, highs, slices, near, near + more) == wanted


@pytest.mark.parametrize("sign", [1, -1])
def test_a_far_swing_point_exists_once_six_later_bars_have_closed(sign: int) -> None:
    shape = [9, 8, 7, 6, 5, 4, 3, 4, 5, 6, 7, 8, 9, 10]
    near, far = (SWING_LOW, FAR_LOW) if sign > 0 else (SWING_HIGH, FAR_HIGH)
    for known in range(1, len(shape) + 1):
        values = [sign * value for value in shape[:known]]
        apart = [sign * (value + 20) for value in shape[:known]]
        lows, highs = (values, apart) if sign > 0 else (apart, values)
        marks = marked(lows, highs, [], 3, 6)
        assert [j for j, mark in enumerate(marks) if mark & near] == ([6] if known >= 10 else [])
        assert [j for j, mark in enumerate(marks) if mark & far] == ([6] if known >= 13 else [])
