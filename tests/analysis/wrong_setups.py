"""Compiled code that is wrong in one way each, made of the example in config/."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.bar_sides import all_hold, closing, extent, highest, lowest, tie
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, LOW, SLOW_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, SPOT, searched, weighed
from scanner.analysis.door.setup import UNKNOWN
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

SIZES = (3, 3)


@compiled
def mark_all(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    marks[: stop - first] = LONG | SHORT


@compiled
def three_rules(series: Floats, t: int, sign: float, measured: Floats, verdicts: Marks) -> bool:
    """Measure a wide bar and a rise, without a fault."""
    equal = tie(series, t - 1, t)
    measured[0] = extent(series, t)
    verdicts[0] = extent(series, t) >= series[ATR, t]
    measured[1] = closing(series, t, sign) - closing(series, t - 1, sign)
    verdicts[1] = measured[1] > equal
    measured[2] = sign * (series[CLOSE, t] - series[SLOW_AVERAGE, t])
    verdicts[2] = measured[2] > equal
    return all_hold(verdicts, 3)


@compiled
def sound(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    return three_rules(series, t, sign, measured, verdicts)


@compiled
def find_sound(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, sound, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def up_so_far(series: Floats, p: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    return bool(series[CLOSE, p] > series[CLOSE, p - 1])


@compiled
def find_forming_one_sided(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, up_so_far, (0, 0), columns, rows, first, stop, numbers, marks, found)


@compiled
def find_forming_ahead(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, looks_on, (0, 0), columns, rows, first, stop, numbers, marks, found)


@compiled
def looks_on(series: Floats, p: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    return bool(sign * series[CLOSE, min(p + 1, series.shape[1] - 1)] > sign * series[CLOSE, p])


@compiled
def far_back(series: Floats, p: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    return bool(sign * series[CLOSE, p - 3] < sign * series[CLOSE, p])


@compiled
def find_forming_far_back(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, far_back, (0, 0), columns, rows, first, stop, numbers, marks, found)


@compiled
def find_forming_of_no_number(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return int(numbers[0].there_is_no_such_number)


@compiled
def not_to_compile(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    return bool(series[CLOSE, t] > "gull")


@compiled
def of_no_number(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    return bool(series[CLOSE, t] > numbers.there_is_no_such_number)


@compiled
def raising(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    if extent(series, t) == 0.0:
        raise ValueError("no range")
    return three_rules(series, t, sign, measured, verdicts)


@compiled
def no_verdict(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    before = verdicts[2]
    three_rules(series, t, sign, measured, verdicts)
    verdicts[2] = before
    return all_hold(verdicts, 3)


@compiled
def no_value(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    before = measured[1]
    held = three_rules(series, t, sign, measured, verdicts)
    measured[1] = before
    return held


@compiled
def too_many_verdicts(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    for k in range(4):
        verdicts[k] = 1
    return three_rules(series, t, sign, measured, verdicts)


@compiled
def too_many_values(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    for k in range(4):
        measured[k] = 1.0
    return three_rules(series, t, sign, measured, verdicts)


@compiled
def rewriting(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    series[ATR, t - 1] = 1.0
    return three_rules(series, t, sign, measured, verdicts)


@compiled
def by_chance(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    held = three_rules(series, t, sign, measured, verdicts)
    measured[0] += np.random.random()  # noqa: NPY002 - the only one that can be compiled
    return held


@compiled
def find_rewriting(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    columns[:, ATR, 0] = 1.0
    return searched(mark_all, sound, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def measures_nothing(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    held = three_rules(series, t, sign, measured, verdicts)
    measured[1] = float("nan")
    return held


@compiled
def find_measures_nothing(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, measures_nothing, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def says_too_much(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    three_rules(series, t, sign, measured, verdicts)
    return bool(verdicts[0] != 0 and verdicts[1] != 0)


@compiled
def find_says_too_much(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, says_too_much, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def looks_ahead(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    three_rules(series, t, sign, measured, verdicts)
    verdicts[1] = sign * series[CLOSE, min(t + 1, series.shape[1] - 1)] > closing(series, t, sign)
    return all_hold(verdicts, 3)


@compiled
def find_looks_ahead(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, looks_ahead, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def reads_far_back(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    three_rules(series, t, sign, measured, verdicts)
    measured[1] = closing(series, t, sign) - closing(series, t - 4, sign)
    verdicts[1] = measured[1] > tie(series, t - 4, t)
    return all_hold(verdicts, 3)


@compiled
def find_reads_far_back(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, reads_far_back, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def one_sided(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    three_rules(series, t, sign, measured, verdicts)
    measured[2] = series[CLOSE, t] - series[SLOW_AVERAGE, t]
    verdicts[2] = measured[2] > 0.0
    return all_hold(verdicts, 3)


@compiled
def find_one_sided(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_all, one_sided, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def mark_long(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    marks[: stop - first] = LONG


@compiled
def find_long_only(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return searched(mark_long, sound, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def find_backwards(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    count = searched(mark_all, sound, SIZES, columns, rows, first, stop, numbers, marks, found)
    for k in range(count // 2):
        for column in range(3):
            found[k, column], found[count - 1 - k, column] = found[count - 1 - k, column], found[k, column]
    return count


@compiled
def find_nothing_nearly(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Find nothing where it is asked for bars at which all rules but one hold."""
    if found.shape[1] > SPOT:
        return 0
    return searched(mark_all, sound, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def find_by_tomorrow(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Find the same in whole tapes, but let go of what the bar after the stretch makes unlikely."""
    count = searched(mark_all, sound, SIZES, columns, rows, first, stop, numbers, marks, found)
    after = stop[0]
    if after < columns.shape[2] and not columns[rows[0], CLOSE, after] > 0.0:
        return 0
    return count


@compiled
def find_too_often(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    return 2 * int((stop - first).sum()) + 1


@compiled
def find_past_its_stretch(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    for k in range((stop - first).max() + 1):
        marks[k] = 0
    return searched(mark_all, sound, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def said_soundly(series: Floats, t: int, sign: float, points: Floats, held: Marks, levels: Any) -> None:
    """Write both points and the levels without a fault."""
    points[0], held[0] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[1], held[1] = 0.0, UNKNOWN
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * lowest(series, t, sign)
    levels.beyond = levels.base


@compiled
def weigh_soundly_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)


@compiled
def weigh_soundly(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_soundly_one, columns, spots, numbers, rules, out)


@compiled
def weigh_not_to_compile_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    levels.base = "gull"


@compiled
def weigh_not_to_compile(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_not_to_compile_one, columns, spots, numbers, rules, out)


@compiled
def weigh_raising_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    if extent(series, t) == 0.0:
        raise ValueError("no range")


@compiled
def weigh_raising(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_raising_one, columns, spots, numbers, rules, out)


@compiled
def weigh_too_much_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    for k in range(3):
        points[k] = 1.0


@compiled
def weigh_too_much(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_too_much_one, columns, spots, numbers, rules, out)


@compiled
def weigh_oddly_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    held[1] = 9


@compiled
def weigh_oddly(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_oddly_one, columns, spots, numbers, rules, out)


@compiled
def weigh_no_base_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    levels.base = float("nan")


@compiled
def weigh_no_base(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_no_base_one, columns, spots, numbers, rules, out)


@compiled
def weigh_rewriting_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    series[ATR, t] = 1.0


@compiled
def weigh_rewriting(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_rewriting_one, columns, spots, numbers, rules, out)


@compiled
def weigh_before_no_close_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    levels.closes = 0


@compiled
def weigh_before_no_close(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_before_no_close_one, columns, spots, numbers, rules, out)


@compiled
def weigh_base_beyond_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    levels.base = sign * highest(series, t, sign) + sign


@compiled
def weigh_base_beyond(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_base_beyond_one, columns, spots, numbers, rules, out)


@compiled
def weigh_unmeasured_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    points[0], held[0] = float("nan"), 1


@compiled
def weigh_unmeasured(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_unmeasured_one, columns, spots, numbers, rules, out)


@compiled
def weigh_strange_average_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    levels.average = 4


@compiled
def weigh_strange_average(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_strange_average_one, columns, spots, numbers, rules, out)


@compiled
def weigh_one_sided_point_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    points[0] = series[CLOSE, t]


@compiled
def weigh_one_sided_point(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_one_sided_point_one, columns, spots, numbers, rules, out)


@compiled
def weigh_one_sided_base_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    levels.base = series[LOW, t]


@compiled
def weigh_one_sided_base(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_one_sided_base_one, columns, spots, numbers, rules, out)


@compiled
def weigh_ahead_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    points[0] = sign * series[CLOSE, min(t + 1, series.shape[1] - 1)]


@compiled
def weigh_ahead(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_ahead_one, columns, spots, numbers, rules, out)


@compiled
def weigh_far_back_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    points[0] = sign * series[CLOSE, t - 35]


@compiled
def weigh_far_back(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_far_back_one, columns, spots, numbers, rules, out)


@compiled
def weigh_without_spoiler_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    said_soundly(series, t, sign, points, held, levels)
    levels.beyond = float("nan")


@compiled
def weigh_without_spoiler(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    weighed(sound, weigh_without_spoiler_one, columns, spots, numbers, rules, out)
