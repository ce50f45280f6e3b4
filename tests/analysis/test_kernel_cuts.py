"""However bars are cut, one at a time or thousands, the kernel leaves the same bytes in windows and records."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.analysis.pool import FEW, MANY, Pool
from scanner.analysis.rules import Rules
from tests.effort import EFFORT
from tests.laws import bars_of, timetable
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from scanner.market.bars import Bars

LENGTHS = st.integers(2, 120)


@st.composite
def some_rules(draw: st.DrawFn) -> Rules:
    """Draw lengths of every kind: sums of few and of many powers of two, and longer than the windows of the columns."""
    fast = draw(LENGTHS)
    return Rules(
        fast_average=fast,
        slow_average=fast + draw(LENGTHS),
        usual_body_length=draw(st.integers(1, 120)),
        exponential_average=draw(st.integers(1, 250)),
        atr_length=draw(st.integers(1, 247)),
        hold_atr=draw(st.sampled_from((0.5, 2.0, 1e300))),
    )


def left_by(rules: Rules, timeframe: str, room: int, bars: Bars, cuts: list[int]) -> list[bytes]:
    """Take bars in, cut at some of them, and give what is left in windows and record."""
    pool = Pool(rules, (), timetable(timeframe), room)
    row = pool.add()
    for begin, end in pairwise([0, *cuts, len(bars)]):
        for _ in pool.take(np.array([row]), np.array([end - begin]), bars[begin:end]):
            pass
    used = pool.used[row]
    windows = (pool.columns, pool.kept), (pool.deep, pool.history), (pool.times, pool.kept)
    ends = (used, used + pool.shift, used)
    return [pool.state[row].tobytes()] + [
        window[row, :, end - kept : end].tobytes() for (window, kept), end in zip(windows, ends, strict=True)
    ]


@settings(max_examples=10 * EFFORT)
@given(some_rules(), st.integers(0, 10_000), st.sampled_from(("15m", "1d")), st.integers(1, 30))
def test_single_bars_few_bars_and_blocks_leave_the_same_bytes(
    rules: Rules, seed: int, timeframe: str, few: int
) -> None:
    bars = bars_of(tape(seed))
    edges = np.cumsum(np.random.default_rng(seed).integers(1, few + 1, len(bars)))
    at_once = left_by(rules, timeframe, MANY, bars, [])
    assert left_by(rules, timeframe, FEW, bars, list(range(1, len(bars)))) == at_once
    assert left_by(rules, timeframe, FEW, bars, edges[edges < len(bars)].tolist()) == at_once
