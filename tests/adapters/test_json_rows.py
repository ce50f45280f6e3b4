"""Where values are in JSON, and how they are read."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import jmespath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.feeds.json_rows import BarFields, JsonSettings, Place, RowReader
from scanner.market.bars import NO_TIME
from tests.adapters.feed_servers import rows

NAMES = st.sampled_from("abc")
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | NAMES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3),
    max_leaves=12,
)
STEPS = st.lists(NAMES | st.integers(-3, 3), min_size=1, max_size=4)
EARLY, LATE = datetime(1700, 1, 1), datetime(2262, 1, 1)  # noqa: DTZ001 - hypothesis adds the zone


def path_of(steps: list[str | int]) -> str:
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in steps).removeprefix(".")


@given(STEPS, st.lists(JSON, min_size=1, max_size=4))
def test_a_path_finds_what_jmespath_finds(steps: list[str | int], values: list[Any]) -> None:
    expected = [jmespath.search(path_of(steps), value) for value in values]
    assert Place(path_of(steps)).column(values) == expected


OTHER_PATHS = ["@", '"1. open"', "a[0].b", "a.b | [0]", "length(a)", "`5`", "a || b", "reverse(a)", "a[*].b"]


@given(st.sampled_from(OTHER_PATHS), st.dictionaries(NAMES | st.just("1. open"), JSON))
def test_any_other_expression_finds_what_jmespath_finds_and_nothing_where_that_fails(path: str, value: object) -> None:
    try:
        expected = jmespath.search(path, value)
    except jmespath.exceptions.JMESPathError:
        expected = None
    assert Place(path).find(value) == expected


def bars_of(values: list[dict[str, Any]], **settings: Any) -> Any:  # noqa: ANN401 - whatever a test gives
    reader = RowReader(JsonSettings(**settings))
    columns = reader.columns(values)
    assert columns is not None
    return reader.bars(columns, "test")


@given(st.lists(st.floats(allow_nan=False) | st.integers(-(10**15), 10**15), min_size=1))
def test_a_number_is_the_same_with_and_without_quotes(numbers: list[float]) -> None:
    sent = json.loads(json.dumps([{"time": 1, "open": number} for number in numbers]))
    quoted = [{"time": 1, "open": json.dumps(number)} for number in numbers if np.isfinite(number)]
    assert bars_of(sent).open.tolist() == numbers
    assert bars_of(quoted).open.tolist() == [number for number in numbers if np.isfinite(number)]


@given(st.datetimes(EARLY, LATE), st.integers(-14 * 60, 14 * 60))
def test_a_moment_is_the_same_in_every_unit(clock: datetime, offset: int) -> None:
    moment = clock.replace(tzinfo=UTC)
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    microseconds = (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds
    local = moment.astimezone(timezone(timedelta(minutes=offset)))
    written: dict[str, list[Any]] = {
        "us": [microseconds, str(microseconds)],
        "ns": [microseconds * 1_000, f"{microseconds}e3"],
        "s": [f"{microseconds // 1_000_000}.{microseconds % 1_000_000:06d}"] if microseconds >= 0 else [],
        "rfc3339": [local.isoformat(), moment.isoformat().replace("+00:00", "Z"), local.isoformat().replace("T", "t")],
    }
    for unit, times in written.items():
        found = bars_of([{"time": time} for time in times], time_unit=unit).stamp.tolist() if times else []
        assert found == [microseconds * 1_000] * len(times)


def test_rows_in_many_values_are_found_as_in_each() -> None:
    bar = rows(1)[0]
    reader = RowReader(JsonSettings())
    lists: list[Any] = [rows(2), None, [], rows(1), "text"]
    mixed = [*lists, bar, {name: [value] * 3 for name, value in bar.items()}]
    for values in (lists[:4], mixed, []):
        each = [reader.columns(value) for value in values]
        whole, counts, misfits = reader.columns_of_many(values)
        assert counts == [None if part is None else len(part["time"]) for part in each]
        assert whole == {name: [cell for part in each if part for cell in part[name]] for name in whole}
        assert list(whole) == list(bar)
        assert not misfits


@pytest.mark.parametrize(
    ("unit", "times"),
    [
        ("s", [None, True, "", "soon", "1e400", "1_000", 10**10, -(10**10), float("inf"), float("nan"), [1], {}]),
        ("ns", [2**63, -(2**63), "9" * 4_000]),
        ("rfc3339", [None, 5, "", "2026-03-02", "2026-03-02T16:00:00", "2026-13-02T16:00:00Z", "9999-01-01T00:00:00Z"]),
    ],
)
def test_a_time_that_cannot_be_read_is_reported(unit: str, times: list[object]) -> None:
    bars = bars_of([row | {"time": time} for row, time in zip(rows(len(times)), times, strict=True)], time_unit=unit)
    assert bars.stamp.tolist() == [NO_TIME] * len(times)
    assert sorted(bars.unreadable) == list(range(len(times)))
    assert all(text.startswith("time ") and len(text) < 80 for text in bars.unreadable.values())


def test_a_missing_volume_is_not_a_complaint() -> None:
    bars = bars_of(rows(2), fields=BarFields(volume=None))
    assert np.isnan(bars.volume).all()
    assert not bars.unreadable
