"""What setups share: the search, which measures the marked bars, and the weighing of what was found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.door.setup import ABSENT
from scanner.compiling import inlined

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Marks = NDArray[np.uint8]

LONG, SHORT = 1, 2
"""Bits of a mark: the setup may hold at this bar in this direction."""

BLOCK = 1024
"""Bars that are marked and measured together: few enough to stay in the cache."""

SPOT, NO_RULE = 3, -1
"""How many numbers a spot has: row, bar and sign; and in place of the number of the rule that fails: none does."""


@inlined
def searched(
    mark: Callable[..., None],
    measure: Callable[..., bool],
    sizes: tuple[int, int],
    columns: Floats,
    rows: Integers,
    first: Integers,
    stop: Integers,
    numbers: Any,  # noqa: ANN401 - numba's records have no Python type
    marks: Marks,
    found: Integers,
) -> int:
    """Write every bar and sign at which all rules hold, or all but one, as ``Setup`` asks of ``find``.

    ``mark(series, first, stop, numbers, marks)`` fills one mark for each bar, of which there are at most BLOCK.
    ``sizes`` are the numbers of values and of verdicts that ``measure`` gives.
    """
    nearly = found.shape[1] > SPOT
    values, rules = sizes
    measured, verdicts = np.empty(values), np.empty(rules, dtype=np.uint8)
    spots = np.empty(2 * BLOCK + 1, dtype=np.int64)
    count = 0
    for k in range(len(rows)):
        series = columns[rows[k]]
        for begin in range(first[k], stop[k], BLOCK):
            end = min(begin + BLOCK, stop[k])
            if nearly:
                marks[: end - begin] = LONG | SHORT
            else:
                mark(series, begin, end, numbers[0], marks)
            marked = 0
            for i in range(end - begin):
                if marks[i]:  # no branch depends on the side, or on a fit below: a processor guesses them badly
                    spots[marked] = 2 * i
                    marked += marks[i] & LONG
                    spots[marked] = 2 * i + 1
                    marked += (marks[i] & SHORT) >> 1
            for s in range(marked):
                t, sign, last = begin + spots[s] // 2, 1.0 - 2.0 * (spots[s] % 2), NO_RULE
                # Measured at one place alone: the compiler takes in the whole function at each.
                fits = measure(series, t, sign, numbers[0], measured, verdicts)
                if nearly:
                    failing, last = _failing(verdicts)
                    fits = failing <= 1
                    found[count, SPOT] = last
                found[count, 0], found[count, 1], found[count, 2] = rows[k], t, int(sign)
                count += fits
    return count


@inlined
def _failing(verdicts: Marks) -> tuple[int, int]:
    """Count the rules that fail, and give the number of the last one."""
    count, last = 0, NO_RULE
    for rule in range(len(verdicts)):
        if verdicts[rule] == 0:
            count, last = count + 1, rule
    return count, last


@inlined
def weighed(
    measure: Callable[..., bool],
    weigh: Callable[..., None],
    columns: Floats,
    spots: Integers,
    numbers: Any,  # noqa: ANN401 - numba's records have no Python type
    rules: Any,  # noqa: ANN401 - as above
    out: Any,  # noqa: ANN401 - as above
) -> None:
    """Measure and weigh every spot, as ``Setup`` asks of ``weigh``.

    ``weigh(series, t, sign, numbers, rules, measured, points, held, levels)`` weighs one bar, after ``measure``; a
    point that it does not write is absent. Without room for verdicts, ``measured`` is given, not filled.
    """
    measured, verdicts, points, held, levels = out
    for k in range(len(spots)):
        series, t, sign, level = columns[spots[k, 0]], spots[k, 1], float(spots[k, 2]), levels[k]
        if verdicts.shape[1]:
            measure(series, t, sign, numbers[0], measured[k], verdicts[k])
        points[k], held[k] = np.nan, ABSENT
        level.trigger, level.base, level.base_is, level.beyond = np.nan, np.nan, 0, np.nan
        level.average, level.closes, level.bars = -1, 1, 0
        weigh(series, t, sign, numbers[0], rules[0], measured[k], points[k], held[k], level)
