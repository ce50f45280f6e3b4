"""From decoded JSON to the rows of a feed: where each field is, and how its values are read."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal, DecimalException
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeGuard

import jmespath
import numpy as np
from jmespath.exceptions import JMESPathError
from pydantic import AfterValidator, Field

from adapters.feeds.raw_rows import NUMBERS
from adapters.feeds.settings import FeedSettings
from scanner.clocks import DAY, SECOND
from scanner.market.bars import NO_TIME, RawBars, StampKind
from scanner.wording.config_table import ConfigTable
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

TimeUnit = Literal["s", "ms", "us", "ns", "rfc3339"]
FACTORS: Mapping[str, int] = {"s": SECOND, "ms": 1_000_000, "us": 1_000, "ns": 1}
"""Nanoseconds in each unit."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII)
MOST_SHOWN = 1_000
"""Most unreadable rows of one message whose values are shown: as many as the guard notes."""
_SHOWN = 60
_LOOKED_AT = 65_536
"""Characters of a value that are examined, to show or to measure them."""


def _checked(path: str) -> str:
    try:
        jmespath.compile(path)
    except JMESPathError as problem:
        reason = str(problem).partition("\n")[0]
        raise ValueError(
            f"{path!r} is not a JMESPath expression ({reason}); jmespath.org explains how to write one"
        ) from None
    return path


JmesPath = Annotated[str, AfterValidator(_checked)]
"""A JMESPath expression, checked when the settings are read."""


class BarFields(ConfigTable):
    """Where the parts of a bar are in its row, as JMESPath expressions: a key, ``[0]`` in a list, or any other."""

    time: JmesPath = Field("time", description="the time of the bar")
    open: JmesPath = Field("open", description="the first price")
    high: JmesPath = Field("high", description="the highest price")
    low: JmesPath = Field("low", description="the lowest price")
    close: JmesPath = Field("close", description="the last price")
    volume: JmesPath | None = Field("volume", description="the volume; a row may lack it")


class JsonSettings(FeedSettings):
    """The settings for reading bars from JSON."""

    rows: JmesPath = Field(
        "@",
        description="where the rows are: a list of rows, a single row, or an object in which each field is a list",
    )
    fields: BarFields = Field(default_factory=BarFields, description="where the parts of a bar are in its row")
    time_unit: TimeUnit = Field("s", description="how times are written: s, ms, us or ns since 1970, or rfc3339")
    stamp: StampKind = Field("open", description="whether the time of a bar is its open or its close, or names a date")


class Place:
    """A JMESPath expression, ready to be looked up in many values, fast if it is only a path of keys and indices."""

    def __init__(self, path: str) -> None:
        compiled = jmespath.compile(path)
        self._search = compiled.search
        self._steps = _steps(compiled.parsed)

    def find(self, value: object) -> Any:  # noqa: ANN401 - JSON, which the caller examines
        """Look it up in one value; None if it is not there."""
        return self.column((value,))[0]

    def column(self, rows: Sequence[Any]) -> list[Any]:
        """Look it up in many values."""
        if self._steps is None:
            return [self._searched(row) for row in rows]
        found = list(rows)
        for step in self._steps:
            if isinstance(step, str):
                found = [each.get(step) if type(each) is dict else None for each in found]
            else:
                found = [
                    each[step] if type(each) is list and -len(each) <= step < len(each) else None for each in found
                ]
        return found

    def _searched(self, value: object) -> object:
        try:
            return self._search(value)
        except Exception:  # noqa: BLE001 - the library's functions fail in many ways on values that they do not expect
            return None


def _steps(node: dict[str, Any]) -> tuple[str | int, ...] | None:
    """Give the keys and indices of a parsed expression, None if it is more than a path."""
    match node:
        case {"type": "identity" | "current"}:
            return ()
        case {"type": "field" | "index", "value": str() | int() as step}:
            return (step,)
        case {"type": "subexpression" | "index_expression", "children": children}:
            steps = [_steps(child) for child in children]
            return None if None in steps else tuple(step for part in steps for step in part or ())
    return None


Columns = dict[str, list[Any]]
"""The values of rows by the names of the fields, all lists of one length."""


class RowReader:
    """Reads bars from JSON values.

    ``also`` names further fields of each row, such as its symbol; they are returned among the columns. ``safe`` makes a
    text from outside safe to show, since it may contain a secret.
    """

    def __init__(
        self, settings: JsonSettings, also: Mapping[str, str] | None = None, safe: Callable[[str], str] = str
    ) -> None:
        self._safe = safe
        fields = {name: path for name, path in settings.fields if path is not None}
        self._places = {name: Place(path) for name, path in {**fields, **(also or {})}.items()}
        self._rows = Place(settings.rows)
        self._unit = settings.time_unit
        self._kind: StampKind = settings.stamp

    def columns(self, value: object) -> Columns | None:
        """Find the rows in a value and split them into columns; None if there are none.

        ValueError if the lists of an object of columns are not equally long.
        """
        return self._apart(self._rows.find(value))

    def columns_of_many(self, values: Sequence[Any]) -> tuple[Columns, list[int | None], dict[int, str]]:
        """Find the rows in each of many values, and count them in each; None if none can be found.

        The last part says, by index of a value, why its lists do not match; its rows are left out.
        """
        found = self._rows.column(values)
        if all(type(each) is list or each is None for each in found):
            # All at once: the usual case, and many times faster.
            columns = self._apart([row for each in found if each is not None for row in each])
            return columns or {}, [None if each is None else len(each) for each in found], {}
        parts: list[Columns | None] = []
        misfits: dict[int, str] = {}
        for index, each in enumerate(found):
            try:
                parts.append(self._apart(each))
            except ValueError as problem:
                parts.append(None)
                misfits[index] = str(problem)
        whole = {name: [value for part in parts if part is not None for value in part[name]] for name in self._places}
        return whole, [None if part is None else len(part["time"]) for part in parts], misfits

    def _apart(self, found: object) -> Columns | None:
        if isinstance(found, list):
            return {name: place.column(found) for name, place in self._places.items()}
        if not isinstance(found, dict):
            return None
        parts = {name: place.find(found) for name, place in self._places.items()}
        if not isinstance(parts["time"], list):
            return {name: [part] for name, part in parts.items()}
        length = len(parts["time"])
        lists = {name: part if isinstance(part, list) else [part] * length for name, part in parts.items()}
        for name, part in lists.items():
            if len(part) != length:
                raise ValueError(f"{length} times, but {len(part)} values of {name}")
        return lists

    def bars(self, columns: Columns, source: str, first_row: int = 0) -> RawBars:
        """Make bars from columns; unreadable values become NaN or NO_TIME.

        ``unreadable`` has the original values of the first ``MOST_SHOWN`` such rows.
        """
        times = columns["time"]
        row = np.arange(first_row, first_row + len(times), dtype=np.int64)
        stamps = _stamps(times, self._unit, self._kind)
        bad = {"time": stamps == NO_TIME}
        numbers = {}
        for name in NUMBERS:
            values = columns.get(name)
            numbers[name] = np.full(len(times), np.nan) if values is None else _numbers(values)
            if values is not None:
                bad[name] = np.isnan(numbers[name])
                if name == "volume":
                    bad[name] &= np.array([value is not None for value in values], dtype=np.bool_)
        unreadable = self._values_of(columns, bad, first_row)
        return RawBars(stamps, **numbers, row=row, source=source, stamp_kind=self._kind, unreadable=unreadable)

    def _values_of(self, columns: Columns, bad: Mapping[str, NDArray[np.bool_]], first_row: int) -> dict[int, str]:
        """Give the unreadable values by row number; ``bad`` says where they are, by field."""
        texts: dict[int, str] = {}  # by the identity of a value, since one may occur in many rows

        def text(value: object) -> str:
            if id(value) not in texts:
                texts[id(value)] = shown(value, self._safe)
            return texts[id(value)]

        spoilt = np.flatnonzero(np.logical_or.reduce(list(bad.values())))[:MOST_SHOWN].tolist()
        return {
            first_row + index: ", ".join(f"{name} {text(columns[name][index])}" for name in bad if bad[name][index])
            for index in spoilt
        }


def shown(value: object, safe: Callable[[str], str] = str) -> str:
    """Show a value as written, on one line and cut short, after ``safe`` has removed what must not be shown."""
    try:
        text = json.dumps(value, ensure_ascii=False)
    except RecursionError:
        return "a value that is nested too deeply to be shown"
    return plain(safe(text[:_LOOKED_AT]), _SHOWN)


def _numbers(values: list[Any]) -> NDArray[np.float64]:
    if set(map(type, values)) <= {int, float}:
        try:
            return np.array(values, dtype=np.float64)
        except OverflowError:
            pass
    return np.array([_number(value) for value in values], dtype=np.float64)


def _is_number(value: object) -> TypeGuard[float | str]:
    """Whether a value is a number: true and false are not, numbers in quotes are."""
    if isinstance(value, str):
        return _NUMBER.fullmatch(value) is not None
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: object) -> float:
    try:
        return float(value) if _is_number(value) else np.nan
    except OverflowError:
        return np.nan


def _stamps(values: list[Any], unit: TimeUnit, kind: StampKind) -> NDArray[np.int64]:
    if unit == "rfc3339":
        return np.array([_moment(value, kind) for value in values], dtype=np.int64)
    factor = FACTORS[unit]
    if set(map(type, values)) == {int} and max(map(abs, values)) < 2**63 // factor:
        return np.array(values, dtype=np.int64) * factor
    return np.array([_since_epoch(value, factor) for value in values], dtype=np.int64)


def _since_epoch(value: object, factor: int) -> int:
    if not _is_number(value):
        return NO_TIME
    try:
        # Decimal keeps every digit that was sent; a float of nanoseconds would not.
        nanoseconds = Decimal(str(value)) * factor
        return int(nanoseconds) if abs(nanoseconds) < 2**63 else NO_TIME
    except DecimalException:
        return NO_TIME


def nanoseconds_of(moment: datetime) -> int:
    """Give a moment in nanoseconds since 1970 UTC; TypeError if it has no offset."""
    return (moment - EPOCH) // timedelta(microseconds=1) * 1_000


def _moment(value: object, kind: StampKind) -> int:
    """Read a time as written; for a date, midnight UTC of the calendar day, whatever its offset."""
    if not isinstance(value, str):
        return NO_TIME
    try:
        moment = datetime.fromisoformat(value.upper())
        nanoseconds = (moment.date() - EPOCH.date()).days * DAY if kind == "date" else nanoseconds_of(moment)
    except (TypeError, ValueError):
        # Not a time, or one without an offset, which could be any moment of a day.
        return NO_TIME
    return nanoseconds if abs(nanoseconds) < 2**63 else NO_TIME
