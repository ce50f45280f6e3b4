"""One table of bars, written in every way that is understood; each writer tells the options that go with it."""

from __future__ import annotations

import csv
import gzip
import io
import json
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from hypothesis import strategies as st
from pyarrow import parquet

from adapters.feeds.files.opening import recordings
from adapters.feeds.files.trouble import ReadingOptions
from scanner.market.bars import RawBars

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

SECOND = 1_000_000_000
DAY = 86_400 * SECOND
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NUMBERS = ("open", "high", "low", "close", "volume")


@dataclass(frozen=True)
class Table:
    """Times in whole seconds since 1970 UTC, and rows of five numbers."""

    times: list[int]
    rows: list[tuple[float, ...]]


@dataclass(frozen=True)
class Written:
    """The times of a table in some form: cells of one or two columns, and what to tell the reader."""

    names: tuple[str, ...]
    cells: list[tuple[Any, ...]]
    options: ReadingOptions = field(default_factory=ReadingOptions)


def read(path: Path, options: ReadingOptions = ReadingOptions()) -> dict[str, RawBars]:  # noqa: B008 - it is frozen
    """Read a file or folder to the end; its bars by symbol."""
    return {each.symbol: joined(list(each.bars)) for each in recordings([path], options)}


def joined(parts: Sequence[RawBars]) -> RawBars:
    """Put chunks end to end."""
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in ("stamp", "row", *NUMBERS)}
    told = {row: text for part in parts for row, text in part.unreadable.items()}
    return RawBars(**columns, source=parts[0].source, stamp_kind=parts[0].stamp_kind, unreadable=told)


def assert_holds(raw: RawBars, table: Table, kind: str, first_row: int) -> None:
    """Check raw bars against the table they were written from: every bit of every number."""
    assert raw.stamp.tolist() == [time * SECOND for time in table.times]
    found = np.column_stack([getattr(raw, name) for name in NUMBERS])
    np.testing.assert_array_equal(found, np.array(table.rows, dtype=np.float64).reshape(-1, len(NUMBERS)))
    assert raw.row.tolist() == list(range(first_row, first_row + len(table.times)))
    assert (raw.stamp_kind, raw.unreadable) == (kind, {})


def _moments(table: Table) -> list[datetime]:
    return [EPOCH + timedelta(seconds=time) for time in table.times]


def _formatted(form: str, zone: str = "UTC") -> Callable[[Table], Written]:
    def write(table: Table) -> Written:
        local = [moment.astimezone(ZoneInfo(zone)) for moment in _moments(table)]
        return Written(("Date Time",), [(moment.strftime(form),) for moment in local], ReadingOptions(tz=zone))

    return write


def _with_format(form: str, zone: str = "UTC", *, padded: bool = True) -> Callable[[Table], Written]:
    def write(table: Table) -> Written:
        found = _formatted(form, zone)(table)
        cells = found.cells if padded else [(cell.replace("/0", "/").lstrip("0"),) for (cell,) in found.cells]
        return Written(("time",), cells, ReadingOptions(tz=zone, time_format=form))

    return write


def _epoch(factor: int) -> Callable[[Table], Written]:
    return lambda table: Written(("timestamp",), [(time * factor,) for time in table.times])


def _two_columns(date: str, time: str, zone: str) -> Callable[[Table], Written]:
    def write(table: Table) -> Written:
        local = [moment.astimezone(ZoneInfo(zone)) for moment in _moments(table)]
        cells = [(moment.strftime(date), moment.strftime(time)) for moment in local]
        return Written(("<DATE>", "<TIME>"), cells, ReadingOptions(tz=zone))

    return write


def _offset(zone: str) -> Callable[[Table], Written]:
    return lambda table: Written(
        ("Open time",), [(moment.astimezone(ZoneInfo(zone)).isoformat(),) for moment in _moments(table)]
    )


TIMES: dict[str, Callable[[Table], Written]] = {
    "RFC 3339, Z": _formatted("%Y-%m-%dT%H:%M:%SZ"),
    "RFC 3339, small letters": _formatted("%Y-%m-%dt%H:%M:%Sz"),
    "RFC 3339, offset": _offset("America/St_Johns"),
    "RFC 3339, offset, fractions": _formatted("%Y-%m-%dT%H:%M:%S.%f000+00:00"),
    "space before the offset": _formatted("%Y-%m-%d %H:%M:%S +0000"),
    "UTC by name": _formatted("%Y-%m-%d %H:%M:%S UTC"),
    "no zone": _formatted("%Y-%m-%d %H:%M:%S"),
    "no zone, Berlin": _formatted("%Y-%m-%dT%H:%M:%S", "Europe/Berlin"),
    "no zone, New York": _formatted("%Y-%m-%d %H:%M:%S", "America/New_York"),
    "no zone, half an hour of summer": _formatted("%Y-%m-%d %H:%M:%S", "Australia/Lord_Howe"),
    "blanks around": _formatted("  %Y-%m-%d %H:%M:%S "),
    "epoch s": _epoch(1),
    "epoch ms": _epoch(10**3),
    "epoch us": _epoch(10**6),
    "epoch ns": _epoch(10**9),
    "epoch s as floats": lambda table: Written(("unix",), [(float(time),) for time in table.times]),
    "two columns": _two_columns("%Y-%m-%d", "%H:%M:%S", "Asia/Kolkata"),
    "two columns, no marks": _two_columns("%Y%m%d", "%H%M%S", "Europe/Berlin"),
    "format of figures": _with_format("%d.%m.%Y %H:%M:%S", "Europe/Berlin"),
    "format of figures, unpadded": _with_format("%m/%d/%Y %H:%M:%S", padded=False),
    "format with names of months": _with_format("%d %b %Y %I:%M:%S %p", "America/New_York"),
    "format with an offset": _with_format("%Y/%m/%d %H:%M:%S %z", "America/New_York"),
}
"""Ways to write moments."""

DATES: dict[str, Callable[[Table], Written]] = {
    "date": _formatted("%Y-%m-%d"),
    "date without marks": _formatted("%Y%m%d"),
    "midnight without a zone": _formatted("%Y-%m-%d %H:%M:%S"),
    "midnight UTC": _formatted("%Y-%m-%dT%H:%M:%SZ"),
    "midnight as epoch ms": _epoch(10**3),
    "format of figures": _with_format("%m/%d/%Y", padded=False),
    "format with names of months": _with_format("%d %B %Y"),
}
"""Ways to write days, given as midnights UTC."""


@dataclass(frozen=True)
class Layout:
    """How the rest of a CSV file is written."""

    delimiter: str = ","
    line_end: str = "\n"
    mark: bool = False
    quoting: int = csv.QUOTE_MINIMAL
    last_end: bool = True
    packed: bool = False
    names: tuple[str, ...] = NUMBERS


LAYOUTS = st.builds(
    Layout,
    delimiter=st.sampled_from(",;\t"),
    line_end=st.sampled_from(["\n", "\r\n"]),
    mark=st.booleans(),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    last_end=st.booleans(),
    packed=st.booleans(),
    names=st.sampled_from([NUMBERS, ("Open", "HIGH", " low ", "Close", "Vol"), ("o", "h", "l", "c", "v")]),
)


def as_csv(table: Table, written: Written, layout: Layout) -> bytes:
    """Write CSV, with columns of no interest at both ends."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=layout.delimiter, lineterminator=layout.line_end, quoting=layout.quoting)  # type: ignore[arg-type]  # one of csv's own
    writer.writerow(["id", *written.names, *layout.names, "Adj Close"])
    for index, (time, row) in enumerate(zip(written.cells, table.rows, strict=True)):
        numbers = [repr(value) for value in row[:4]] + ["" if np.isnan(row[4]) else repr(row[4])]
        writer.writerow([index, *time, *numbers, "9.99"])
    content = text.getvalue() if layout.last_end else text.getvalue().removesuffix(layout.line_end)
    encoded = ("\ufeff" * layout.mark + content).encode()
    return gzip.compress(encoded) if layout.packed else encoded


def as_json_lines(table: Table, written: Written, *, texts: bool) -> bytes:
    """Write JSON lines, prices as numbers or as texts."""
    lines = []
    for time, row in zip(written.cells, table.rows, strict=True):
        numbers: list[Any] = [repr(value) if texts else value for value in row[:4]]
        numbers.append(None if np.isnan(row[4]) else row[4])
        named = dict(zip((*written.names, *NUMBERS), (*time, *numbers), strict=True))
        lines.append(json.dumps({"id": {"nested": [1]}} | named))
    return "\n".join(lines).encode()


def as_parquet(table: Table, times: pa.Array, numbers: pa.DataType, name: str = "time") -> bytes:
    """Write Parquet, numbers of the given type."""
    columns = {name: times}
    for index, column in enumerate(NUMBERS):
        values = pa.array([None if np.isnan(row[index]) else row[index] for row in table.rows], pa.float64())
        columns[column] = (
            values.cast(pa.string()).cast(numbers) if pa.types.is_decimal(numbers) else values.cast(numbers)
        )
    sink = io.BytesIO()
    parquet.write_table(pa.table(columns), sink)
    return sink.getvalue()


def tables(times: st.SearchStrategy[list[int]]) -> st.SearchStrategy[Table]:
    """Draw tables on given times, prices to the cent and volumes that may be missing, in the whole table or not."""
    cents = st.integers(-99_999_99, 99_999_999_99).map(lambda value: value / 100)
    volume = st.sampled_from([float("nan"), 0.0, 1.5, 123_456_789.0])

    def rows(drawn: list[int]) -> st.SearchStrategy[Table]:
        row: st.SearchStrategy[tuple[float, ...]] = st.tuples(cents, cents, cents, cents, volume)
        return st.lists(row, min_size=len(drawn), max_size=len(drawn)).map(lambda found: Table(drawn, found))

    return times.flatmap(rows)


# Each begins before a change of the clocks somewhere and runs across it, in steps that the repeated hour can hold.
_CHANGES = [
    int(datetime.fromisoformat(moment + "Z").timestamp())
    for moment in (
        "2021-03-28T01:00",
        "2021-10-31T01:00",
        "2021-03-14T07:00",
        "2021-11-07T06:00",
        "2022-04-02T15:00",
        "2022-10-01T15:30",
    )
]
MOMENTS = st.builds(
    lambda change, step, before, count: [change + step * (index - before) for index in range(count)],
    st.sampled_from(_CHANGES),
    st.sampled_from([60, 300, 900, 1800]),
    st.integers(1, 30),
    st.integers(1, 60),
)
# Not the 1970s: whether a small epoch number counts seconds or milliseconds cannot be told from it.
DAYS = st.lists(st.integers(-20_000, -3_000) | st.integers(4_000, 50_000), min_size=2, max_size=40, unique=True).map(
    lambda days: [day * 86_400 for day in sorted(days)]
)
