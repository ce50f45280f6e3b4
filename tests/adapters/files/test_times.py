"""How times are read: what is decided on the first rows, and what a later row may look like."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pyarrow import parquet

from adapters.feeds.files.cells.cells import Cells
from adapters.feeds.files.cells.columns import find_columns
from adapters.feeds.files.times.choosing import style_of
from adapters.feeds.files.times.formats import style_for
from adapters.feeds.files.times.stamps import Stamps
from adapters.feeds.files.trouble import ReadingOptions
from scanner.market.bars import NO_TIME
from tests.adapters.files.bar_tables import read

SECOND = 1_000_000_000
MOMENTS = st.datetimes(datetime(1700, 1, 1), datetime(2250, 1, 1))  # noqa: DTZ001 - clock times


def nanoseconds(moment: datetime) -> int:
    return (moment.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1_000


@given(
    moments=st.lists(MOMENTS, min_size=1, max_size=5),
    form=st.sampled_from(
        [
            "%Y-%m-%d %H:%M:%S",
            "%d/%m/%Y %H:%M",
            "%Y%m%d%H%M%S",
            "%m.%d.%Y",
            "%H:%M %d-%m-%Y",
            "%d %B %Y %I.%M %p",
            "%A %d %b %Y",
            "%Y %j %H",
        ]
    ),
)
def test_a_format_means_what_it_means_to_strptime(moments: list[datetime], form: str) -> None:
    cells = [moment.strftime(form) for moment in moments]
    expected = [nanoseconds(datetime.strptime(cell, form)) for cell in cells]  # noqa: DTZ007 - clock times
    assert style_for(form).read(pa.array(cells)).to_pylist() == expected


@pytest.mark.parametrize(
    ("form", "cell"),
    [
        ("%d/%m/%Y", "31/02/2020"),
        ("%d/%m/%Y", "1/13/2020"),
        ("%d/%m/%Y", "1/1/20"),
        ("%Y-%m-%d %H:%M:%S", "2020-01-01 00:00:60"),
        ("%d/%m/%Y %H:%M", "1/1/2020 24:00"),
        ("%d %b %Y", "31 Feb 2020"),
        ("%d/%m/%Y", "1/1/2020 "),
        ("%d/%m/%Y", None),
    ],
)
def test_no_impossible_time_is_rolled_over(form: str, cell: str | None) -> None:
    """Among good rows, which are read all the same; blanks around a cell do not matter."""
    good = datetime(2020, 1, 1).strftime(form)  # noqa: DTZ001 - a clock time
    stamp = nanoseconds(datetime(2020, 1, 1))  # noqa: DTZ001 - a clock time
    read_back = style_for(form).read(pa.array([good, cell, good])).to_pylist()
    assert read_back == [stamp, stamp if cell and cell.endswith(" ") else None, stamp]


@given(
    seconds=st.integers(-9_000_000_000, 9_000_000_000).filter(lambda value: abs(value) > 200_000_000),
    unit=st.sampled_from([0, 3, 6, 9]),
)
@example(seconds=1_700_000_000, unit=0)
def test_the_unit_of_an_epoch_is_found_by_its_size(seconds: int, unit: int) -> None:
    cell = str(seconds * 10**unit)
    style = style_of(cell)
    if style is None:  # twelve or fourteen figures that are as well a date and a time without marks
        assert len(cell) in {12, 14}
        return
    assert style.read(pa.array([cell])).to_pylist() == [seconds * SECOND]


@pytest.mark.parametrize(
    ("first", "later", "stamp"),
    [
        ("1700000000", "99", 99 * SECOND),  # seconds they are, however small
        ("1700000000", "1700000000.123456789", 1_700_000_000_123_456_789),
        ("1700000000", "1.7e9", None),
        ("1700000000", "99999999999999", None),
        ("2024-01-02", "2024-01-03", 1_704_240_000 * SECOND),
        ("2024-01-02", "2024-01-03 09:30", None),
        ("2024-01-02", "20240103", None),
        ("20240102", "20240103", 1_704_240_000 * SECOND),
        ("20240102", "20241303", None),
        ("2024-01-02T09:30Z", "2024-01-03t10:30+01:00", 1_704_274_200 * SECOND),
        ("2024-01-02T09:30Z", "2024-01-03T09:30:00.000000001Z", 1_704_274_200 * SECOND + 1),
        ("2024-01-02T09:30Z", "2024-01-03T09:30", None),
        ("2024-01-02T09:30", "2024-01-03T09:30Z", None),
        ("2024-01-02T09:30", "2024-01-03", 1_704_240_000 * SECOND),  # midnight, as some tables write it
        ("2024-01-02T09:30", "2024-01-03 9:30", 1_704_274_200 * SECOND),
        ("2024-01-02T09:30", "9999-12-31 09:30", None),
        ("2024-01-02T00:00", "2024-01-03 09:30", 1_704_274_200 * SECOND),
    ],
)
def test_later_rows_are_read_as_the_first(first: str, later: str, stamp: int | None) -> None:
    style = style_of(first)
    assert style is not None
    assert style.read(pa.array([first, later, first])).to_pylist()[1] == stamp


def test_the_first_time_that_can_be_read_decides(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv"
    rows = [f"{time},1,2,1,2" for time in ("", "today", "2024-13-01", "1700000000", "1700000060000", "1700000120")]
    path.write_text("\n".join(["time,open,high,low,close", *rows]))
    (raw,) = read(path).values()
    assert raw.stamp[[3, 5]].tolist() == [1_700_000_000 * SECOND, 1_700_000_120 * SECOND]
    assert raw.unreadable == {2: "time empty", 3: 'time "today"', 4: 'time "2024-13-01"', 6: 'time "1700000060000"'}


def test_a_table_of_midnights_is_one_of_days(tmp_path: Path) -> None:
    """Also by a clock far from UTC; a later row that is not at midnight cannot be a day."""
    path = tmp_path / "bars.csv"
    days = [f"2024-01-0{day} 00:00:00,1,2,1,2" for day in (1, 2, 3)]
    path.write_text("\n".join(["time,open,high,low,close", *days]))
    (raw,) = read(path, ReadingOptions(tz="Asia/Tokyo")).values()
    assert raw.stamp_kind == "date"
    assert (raw.stamp // SECOND).tolist() == [1_704_067_200, 1_704_153_600, 1_704_240_000]
    path.write_text("\n".join(["time,open,high,low,close", *days, "2024-01-04 00:01:00,1,2,1,2"]))
    (raw,) = read(path, ReadingOptions(tz="Asia/Tokyo")).values()
    assert raw.stamp_kind == "open"


def test_midnights_by_the_clock_that_they_name_are_days_as_well(tmp_path: Path) -> None:
    """East of Greenwich such a midnight lies on the day before by UTC, and so would a Monday in the week before."""
    rows = ["2026-03-27 00:00:00+01:00", "2026-03-28 00:00:00+01", "2026-03-30 00:00:00+02:00"]
    path = tmp_path / "bars.csv"
    path.write_text("\n".join(["time,open,high,low,close", *(f"{row},1,2,1,2" for row in rows)]))
    days = [nanoseconds(datetime(2026, 3, day)) for day in (27, 28, 30)]  # noqa: DTZ001 - days
    (raw,) = read(path).values()
    assert (raw.stamp_kind, raw.stamp.tolist()) == ("date", days)
    table = pa.table(
        {
            "time": pa.array([datetime.fromisoformat(row) for row in rows], pa.timestamp("ms", "Europe/Berlin")),
            **dict.fromkeys(("open", "high", "low", "close"), pa.array([1.0] * len(days))),
        }
    )
    parquet.write_table(table, tmp_path / "bars.parquet")
    (raw,) = read(tmp_path / "bars.parquet").values()
    assert (raw.stamp_kind, raw.stamp.tolist()) == ("date", days)


def test_what_the_first_rows_decided_holds_for_the_rest() -> None:
    columns = find_columns(["time", "open", "high", "low", "close"], ReadingOptions(), Path("bars.csv"))
    for zone in ("", "+0900"):
        stamps = Stamps(Path("bars.csv"), columns, ReadingOptions())
        days = Cells(np.array([2, 3]), pa.array([f"2024-01-01 00:00{zone}", f"2024-01-02 00:00{zone}"]))
        assert (stamps.read(days) // SECOND).tolist() == [1_704_067_200, 1_704_153_600]
        later = Cells(np.array([4, 5]), pa.array([f"2024-01-03 09:30{zone}", f"2024-01-04 00:00{zone}"]))
        assert stamps.read(later).tolist() == [NO_TIME, 1_704_326_400 * SECOND]
        assert (stamps.kind, later.unreadable) == ("date", {4: f'time "2024-01-03 09:30{zone}"'})
