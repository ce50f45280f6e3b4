"""Laws that every setup of ours keeps, held over random series."""

from __future__ import annotations

import tomllib
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import numpy as np
import pytest

from scanner.analysis.columns import ATR, CLOSE, CROSS, USUAL_BODY, VOLUME
from tests.analysis.plain_columns import mirrored, random_columns
from tests.analysis.weighing import fit_at

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pydantic.fields import FieldInfo

    from scanner.analysis.door.setup import Numbers, Setup

    Floats = NDArray[np.float64]

NAMES = (
    "doji_pause",
    "engulfing",
    "outside_bar",
    "hammer",
    "false_break",
    "inside_bar",
    "three_bar_pullback",
    "first_touch",
    "flag",
)
WARM = 250
SERIES = [random_columns(seed) for seed in range(4)]

every_setup = pytest.mark.parametrize("name", NAMES)


def setup_of(name: str) -> Setup[Any]:
    return import_module(f"scanner.analysis.setups.{name}").SETUP  # type: ignore[no-any-return]  # a module has no type


def measured(setup: Setup[Any], columns: Floats, t: int, sign: int, record: Any) -> tuple[bool, Floats, Any]:  # noqa: ANN401 - a record has no type
    """Measure one bar with a record of numbers; values, and verdicts as bools."""
    values, verdicts = np.full(len(setup.rules) + setup.extra, np.nan), np.zeros(len(setup.rules), dtype=np.uint8)
    held = setup.measure(columns, t, float(sign), record, values, verdicts)
    return held, values, verdicts.astype(bool)


def found(setup: Setup[Any], many: Floats, first: list[int], stop: list[int], numbers: Numbers) -> list[list[int]]:
    """Find in one stretch of each of many series (series × COLUMNS × bars)."""
    room = max(stop[k] - first[k] for k in range(len(first)))
    out = np.zeros((2 * sum(stop) - 2 * sum(first), 3), dtype=np.int64)
    rows, starts, ends = (np.array(values, dtype=np.int64) for values in (range(len(first)), first, stop))
    marks = np.full(room, 255, dtype=np.uint8)
    count = setup.find(many, rows, starts, ends, numbers.record(), marks, out)
    return out[:count].tolist()  # type: ignore[no-any-return]  # three whole numbers each


def by_measuring(setup: Setup[Any], columns: Floats, numbers: Numbers) -> list[list[int]]:
    """Measure each bar in both directions."""
    record = numbers.record()[0]
    return [
        [0, t, sign]
        for t in range(WARM, columns.shape[1])
        for sign in (1, -1)
        if measured(setup, columns, t, sign, record)[0]
    ]


def other_values(about: FieldInfo, value: Any) -> list[Any]:  # noqa: ANN401 - a number or a choice
    """Give values of a setting on both sides of its default, as far as its limits allow."""
    if isinstance(value, str):
        return [choice for choice in get_args(about.annotation) if choice != value]
    low = max(getattr(limit, kind) for limit in about.metadata for kind in ("ge", "gt") if hasattr(limit, kind))
    high = min((limit.le for limit in about.metadata if hasattr(limit, "le")), default=3 * value)
    if isinstance(value, int):
        return [high, max(low, value // 2)]
    return [min(high, 3 * value), max(low, value / 4)]


def variants(setup: Setup[Any]) -> list[tuple[str, Numbers]]:
    """Give the numbers with one setting changed, each in both directions; numbers of no rule are left out."""
    defaults, out = setup.numbers(), []
    for field, about in setup.numbers.model_fields.items():
        value = getattr(defaults, field)
        for other in other_values(about, value):
            changed = {field: other}
            for low, high in setup.numbers.ascending:
                if field == low:
                    changed[high] = max(other, getattr(defaults, high))
                if field == high:
                    changed[low] = min(other, getattr(defaults, low))
            out.append((field, setup.numbers(**changed)))
    return out


@every_setup
def test_find_gives_what_measuring_every_bar_gives(name: str) -> None:
    """Whatever the numbers, and whatever the bars are divided into."""
    setup = setup_of(name)
    many = np.array(SERIES)
    bars = many.shape[2]
    for _, other in variants(setup):
        part = many[:1, :, :700].copy()
        assert found(setup, part, [WARM], [700], other) == by_measuring(setup, part[0], other)
    numbers = setup.numbers()
    each = [found(setup, many[k : k + 1], [WARM], [bars], numbers) for k in range(len(many))]
    assert sum(map(len, each)) > 0
    assert each == [by_measuring(setup, columns, numbers) for columns in SERIES]
    together = found(setup, many, [WARM] * len(many), [bars] * len(many), numbers)
    assert together == [[k, t, sign] for k, stretch in enumerate(each) for _, t, sign in stretch]
    for size in (1, 7, 600):
        pieces = [
            piece
            for first in range(WARM, bars, size)
            for piece in found(setup, many[:1], [first], [min(first + size, bars)], numbers)
        ]
        assert pieces == each[0]


@every_setup
def test_the_mirror_gives_the_other_direction(name: str) -> None:
    setup, columns = setup_of(name), SERIES[0]
    other, numbers = mirrored(columns), setup.numbers()
    record = numbers.record()[0]
    for t in range(WARM, columns.shape[1]):
        for sign in (1, -1):
            held, values, verdicts = measured(setup, columns, t, sign, record)
            held_too, values_too, verdicts_too = measured(setup, other, t, -sign, record)
            assert held == held_too
            assert np.array_equal(verdicts, verdicts_too)
            rules = len(setup.rules)
            np.testing.assert_array_equal(values[:rules], values_too[:rules])
    for _, t, sign in by_measuring(setup, columns, numbers):
        here, there = fit_at(setup, columns, t, sign), fit_at(setup, other, t, -sign)
        np.testing.assert_array_equal(here.points, there.points)
        np.testing.assert_array_equal(here.held, there.held)
        for price in ("trigger", "base", "beyond"):
            np.testing.assert_equal(here.levels[price], -there.levels[price])
        for count in ("average", "closes", "bars"):
            assert here.levels[count] == there.levels[count]


@every_setup
def test_prices_four_times_as_high_give_the_same(name: str) -> None:
    setup, columns = setup_of(name), SERIES[1]
    scaled, record = 4 * columns, setup.numbers().record()[0]
    for column in (VOLUME, CROSS):
        scaled[column] = columns[column]
    for t in range(WARM, columns.shape[1]):
        for sign in (1, -1):
            held, _, verdicts = measured(setup, columns, t, sign, record)
            held_too, _, verdicts_too = measured(setup, scaled, t, sign, record)
            assert held == held_too
            assert np.array_equal(verdicts, verdicts_too)


@every_setup
def test_no_later_bar_is_read_and_none_before_those_that_it_looks_back_at(name: str) -> None:
    """Also with the greatest numbers that the settings allow, all at once."""
    setup, columns = setup_of(name), SERIES[2]
    greatest = {
        field: limit.le
        for field, about in setup.numbers.model_fields.items()
        for limit in about.metadata
        if hasattr(limit, "le") and isinstance(about.default, int)
    }
    for numbers in [setup.numbers(), setup.numbers(**greatest), *(numbers for _, numbers in variants(setup))]:
        record = numbers.record()[0]
        for t in range(WARM, columns.shape[1] - 1, 11):
            window = columns.copy()
            window[:, t + 1 :] = np.nan
            window[:, : t - setup.looks_back] = np.nan
            for sign in (1, -1):
                held, values, verdicts = measured(setup, columns, t, sign, record)
                held_too, values_too, verdicts_too = measured(setup, window, t, sign, record)
                assert held == held_too
                assert np.array_equal(verdicts, verdicts_too)
                np.testing.assert_array_equal(values, values_too)
            assert found(setup, window[None], [t], [t + 1], numbers) == found(
                setup, columns[None], [t], [t + 1], numbers
            )


@every_setup
def test_every_setting_matters(name: str) -> None:
    """Each changes a verdict, a point of evidence, what spoils or what must be beaten."""
    setup, defaults = setup_of(name), setup_of(name).numbers()

    def outcome(numbers: Numbers) -> list[Any]:
        said: list[Any] = []
        record = numbers.record()[0]
        for columns in SERIES[:2]:
            for t in range(WARM, columns.shape[1]):
                for sign in (1, -1):
                    held, _, verdicts = measured(setup, columns, t, sign, record)
                    said.append(verdicts.tobytes())
                    if held:
                        fit = fit_at(setup, columns, t, sign, numbers)
                        said.append([fit.held.tobytes(), fit.levels.tobytes()])
        return said

    usual, deaf = outcome(defaults), set(setup.numbers.model_fields)
    for field, numbers in variants(setup):
        if field in deaf and outcome(numbers) != usual:
            deaf.remove(field)
    assert deaf <= {"small_body", "small_body_of_drive", "small_range"}, deaf  # those are read for a small bar alone


@every_setup
def test_a_market_that_does_not_move_has_no_setup(name: str) -> None:
    setup = setup_of(name)
    still = np.where(np.isin(np.arange(14), [ATR, USUAL_BODY, CROSS])[:, None], 0.0, np.full((14, 400), 10.0))
    assert by_measuring(setup, still, setup.numbers()) == []
    assert found(setup, still[None], [WARM], [400], setup.numbers()) == []


@every_setup
def test_each_setup_says_all_that_it_must(name: str) -> None:
    setup = setup_of(name)
    assert setup.name == name
    assert setup.by_default == (name == "doji_pause")
    assert len(set(setup.rules)) == len(setup.rules)
    assert all(about.description for about in setup.numbers.model_fields.values())
    numbers, seen = setup.numbers(), 0
    for columns in (SERIES[3], mirrored(SERIES[3])):
        for _, t, sign in by_measuring(setup, columns, numbers):
            fit, seen = fit_at(setup, columns, t, sign), seen + 1
            words = setup.words(fit, numbers)
            assert len(words.rules) == len(setup.rules)
            assert tuple(words.points) == setup.points
            assert all(threshold and text for threshold, text in (*words.rules, *words.points.values()))
            assert words.trigger
            assert words.base
            trigger, base, close = fit.levels["trigger"], fit.levels["base"], columns[CLOSE, t]
            assert sign * trigger > sign * base
            assert sign * close >= sign * base
            assert not sign * close < sign * fit.levels["beyond"]  # which is NaN where no price spoils it
    assert seen > 0


def test_all_setups_use_the_public_interface() -> None:
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = project["entry-points"]["closewatch.setups"]
    assert named == {name: f"scanner.analysis.setups.{name}:SETUP" for name in NAMES}
