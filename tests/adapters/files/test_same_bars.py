"""Whichever way a table of bars is written, the same raw bars come out; a bad row is told and changes no other."""

from __future__ import annotations

import gzip
import json
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from adapters.feeds.files.kinds.bytes import BLOCK
from adapters.feeds.files.opening import recordings
from adapters.feeds.files.trouble import ReadingOptions
from adapters.feeds.recorded import RecordedFeed
from scanner.market.bars import NO_TIME
from tests.adapters.files.bar_tables import (
    DATES,
    DAYS,
    LAYOUTS,
    MOMENTS,
    NUMBERS,
    SECOND,
    TIMES,
    Table,
    as_csv,
    as_json_lines,
    as_parquet,
    assert_holds,
    joined,
    read,
    tables,
)
from tests.effort import EFFORT
from tests.outside.real_bars import INDEX_TIME_FORMAT, NASDAQ, SHARES, SP500, nasdaq, shares, sp500

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.market.bars import RawBars
    from tests.adapters.files.bar_tables import Layout, Written
    from tests.outside.real_bars import DailyBars

# A folder of its own for each test is enough: an example writes its file anew.
laws = settings(max_examples=4 * EFFORT, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.mark.parametrize("way", TIMES)
@laws
@given(table=tables(MOMENTS), layout=LAYOUTS, json_texts=st.booleans())
def test_moments_are_the_same_however_written(
    tmp_path: Path, way: str, table: Table, layout: Layout, json_texts: bool
) -> None:
    _assert_text_files_hold(tmp_path, table, TIMES[way](table), layout, json_texts, "open")


@pytest.mark.parametrize("way", DATES)
@laws
@given(table=tables(DAYS), layout=LAYOUTS, json_texts=st.booleans())
def test_days_are_the_same_however_written(
    tmp_path: Path, way: str, table: Table, layout: Layout, json_texts: bool
) -> None:
    _assert_text_files_hold(tmp_path, table, DATES[way](table), layout, json_texts, "date")


def _assert_text_files_hold(
    folder: Path, table: Table, written: Written, layout: Layout, json_texts: bool, kind: str
) -> None:
    comma = folder / ("bars.csv" + ".gz" * layout.packed)
    comma.write_bytes(as_csv(table, written, layout))
    assert_holds(read(comma, written.options)["bars"], table, kind, first_row=2)
    lines = folder / "bars.jsonl"
    lines.write_bytes(as_json_lines(table, written, texts=json_texts))
    assert_holds(read(lines, written.options)["bars"], table, kind, first_row=1)


@laws
@given(
    table=tables(MOMENTS), unit=st.sampled_from(["s", "ms", "us", "ns"]), zone=st.sampled_from(["UTC", "Asia/Tokyo"])
)
def test_parquet_times_with_a_zone(tmp_path: Path, table: Table, unit: str, zone: str) -> None:
    per_second = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[unit]
    times = pa.array([time * per_second for time in table.times], pa.int64())
    path = tmp_path / "bars.parquet"
    for kind, column in ((times.cast(pa.timestamp(unit, zone)), "time"), (times, "unix")):
        path.write_bytes(as_parquet(table, kind, pa.decimal128(20, 2), column))
        assert_holds(read(path)["bars"], table, "open", first_row=1)


@laws
@given(table=tables(MOMENTS), zone=st.sampled_from(["America/New_York", "Europe/Berlin", "Australia/Lord_Howe"]))
def test_parquet_times_without_a_zone(tmp_path: Path, table: Table, zone: str) -> None:
    moments = pa.array([time * SECOND for time in table.times], pa.timestamp("ns", zone))
    clock_times = pa.compute.local_timestamp(moments)
    path = tmp_path / "bars.parquet"
    for times in (clock_times, clock_times.cast(pa.string()), clock_times.cast(pa.string()).dictionary_encode()):
        path.write_bytes(as_parquet(table, times, pa.float64(), "__index_level_0__"))
        assert_holds(read(path, ReadingOptions(tz=zone))["bars"], table, "open", first_row=1)


@laws
@given(table=tables(DAYS))
def test_parquet_days(tmp_path: Path, table: Table) -> None:
    days = pa.array([time // 86_400 for time in table.times], pa.int32()).cast(pa.date32())
    path = tmp_path / "bars.parquet"
    for times in (days, days.cast(pa.date64()), days.cast(pa.timestamp("us"))):
        path.write_bytes(as_parquet(table, times, pa.float64(), "Date"))
        assert_holds(read(path, ReadingOptions(tz="America/New_York"))["bars"], table, "date", first_row=1)


def test_the_row_numbers_of_a_table_that_pandas_cut_are_not_its_times(tmp_path: Path) -> None:
    table = Table([60, 120], [(1.1, 2.3, 0.7, 1.2, 5.0)] * 2)
    path = tmp_path / "bars.parquet"
    path.write_bytes(as_parquet(table, pa.array(table.times).cast(pa.timestamp("s", "UTC")), pa.float64()))
    whole = parquet.read_table(path)
    parquet.write_table(whole.append_column("__index_level_0__", pa.array([14_106, 14_107])), path)
    assert_holds(read(path)["bars"], table, "open", first_row=1)


def test_single_precision_means_the_shortest_price(tmp_path: Path) -> None:
    table = Table([60, 120], [(1.1, 2.3, 0.7, 1.2, float("nan"))] * 2)
    path = tmp_path / "bars.parquet"
    path.write_bytes(as_parquet(table, pa.array(table.times).cast(pa.timestamp("s", "UTC")), pa.float32()))
    assert_holds(read(path)["bars"], table, "open", first_row=1)


@pytest.mark.parametrize(("path", "truth"), [(SP500, sp500), (NASDAQ, nasdaq)])
def test_real_index_bars(path: Path, truth: object) -> None:
    # Published size of both sets: 5,031 rows. The file has an adjusted close too, which must not be taken.
    expected: DailyBars = truth()  # type: ignore[operator]  # one of the two functions
    (found,) = read(path, ReadingOptions(time_format=INDEX_TIME_FORMAT)).values()
    assert len(found) == 5_031
    _assert_same_days(found, expected)


def test_real_shares_come_apart_by_ticker() -> None:
    found = read(SHARES)
    assert list(found) == ["AAPL", "FB", "GOOG", "IBM", "MSFT"]
    for symbol, expected in shares().items():
        _assert_same_days(found[symbol], expected)
    assert np.concatenate([raw.row for raw in found.values()]).tolist() == list(range(2, 12_156))


def _assert_same_days(found: RawBars, expected: DailyBars) -> None:
    assert found.stamp_kind == "date"
    np.testing.assert_array_equal(found.stamp, expected.date.astype("datetime64[ns]").astype(np.int64))
    for name in NUMBERS:
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name))


HEADER = "symbol,time,open,high,low,close,volume"
SOUND = [
    f"{symbol},2024-03-0{day}T00:0{minute}Z,10,12,9,11.5,100" for day in (4, 5) for minute in (1, 2) for symbol in "BA"
]
BAD = {
    "A,2024-03-04T00:03Z,10,12,x,11.5,100": 'low "x"',
    "A,2024-03-04T00:03Z,,12,9,n/a,100": 'open empty, close "n/a"',
    "A,2024-03-04T00:03Z,10,12,9,11.5,many": 'volume "many"',
    "A,2024-03-04T00:03Z,10,12,9,1 1,100": 'close "1 1"',
    "A,2024-02-30T00:03Z,10,12,9,11.5,100": 'time "2024-02-30T00:03Z"',
    "A,yesterday,10,12,9,11.5,100": 'time "yesterday"',
    "A,,10,12,9,11.5,100": "time empty",
    "A,2024-03-04T00:03Z,10,12,9,11.5": '6 fields instead of 7: "A,2024-03-04T00:03Z,10,12,9,11.5"',
    'A,"2024-03-04T00:03Z,10,12,9,11.5,100': '2 fields instead of 7: "A,"2024-03-04T00:03Z,10,12,9,11.5,100"',
    "A,2024-03-04T00:03Z,10,12,9,11.5,100,": '8 fields instead of 7: "A,2024-03-04T00:03Z,10,12,9,11.5,100,"',
    "rubbish": '1 field instead of 7: "rubbish"',
    " ,2024-03-04T00:03Z,10,12,9,11.5,100": "instrument empty",
}


@given(places=st.lists(st.tuples(st.integers(0, len(SOUND)), st.sampled_from(["", "\r", *BAD])), max_size=12))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_bad_rows_are_reported_and_change_no_other(tmp_path: Path, places: list[tuple[int, str]]) -> None:
    """Bad rows and blank lines anywhere: every sound row is read as ever, every bad one told under its line number."""
    lines = list(SOUND)
    for place, bad in sorted(places, reverse=True):
        lines.insert(place, bad)
    path = tmp_path / "bars.csv"
    path.write_text("\n".join([HEADER, *lines]), newline="")
    found = read(path)
    told = {row: text for raw in found.values() for row, text in raw.unreadable.items()}
    assert told == {number: BAD[line] for number, line in enumerate(lines, 2) if line in BAD}
    numbered = sorted(number for raw in found.values() for number in raw.row.tolist())
    assert numbered == [number for number, line in enumerate(lines, 2) if line.strip()]
    assert set(found) == {"A", "B"}
    assert set(SOUND) <= {line for symbol, raw in found.items() for line in _lines_again(raw, symbol)}


def _lines_again(raw: RawBars, symbol: str) -> list[str]:
    times = np.datetime_as_string(raw.stamp.astype("datetime64[ns]"), unit="m")
    columns = zip(times, raw.open, raw.high, raw.low, raw.close, raw.volume, strict=True)
    return [f"{symbol},{time}Z," + ",".join(f"{value:g}" for value in numbers) for time, *numbers in columns]


def test_what_is_unreadable_is_left_for_the_guard(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv"
    path.write_text("time,open,high,low,close,volume\n1700000000,1,2,1,2,\n1700000060,1,?,1,2,5\nsoon,1,2,1,2,-")
    (raw,) = read(path).values()
    assert raw.stamp.tolist() == [1_700_000_000 * SECOND, 1_700_000_060 * SECOND, NO_TIME]
    np.testing.assert_array_equal(raw.high, [2, np.nan, 2])
    np.testing.assert_array_equal(raw.volume, [np.nan, 5, np.nan])
    assert raw.unreadable == {3: 'high "?"', 4: 'time "soon"'}


def test_bad_json_lines_are_reported(tmp_path: Path) -> None:
    good = {"t": 1_700_000_000_000, "o": 1, "h": 2.5, "l": 1, "c": 2}
    lines = [
        json.dumps(good),
        json.dumps(good | {"o": None}),
        json.dumps(good | {"c": "two"}),
        "[1, 2]",
        "",
        '{"t": 17',
        json.dumps(good | {"t": True}),
        json.dumps(good),
    ]
    path = tmp_path / "bars.jsonl"
    path.write_text("\n".join(lines))
    (raw,) = read(path).values()
    assert raw.row.tolist() == [1, 2, 3, 4, 6, 7, 8]
    assert raw.unreadable == {
        2: "open empty",
        3: 'close "two"',
        4: 'not a JSON object: "[1, 2]"',
        6: 'not a JSON object: "{"t": 17"',
        7: 'time "true"',
    }
    assert raw.stamp[[0, -1]].tolist() == [1_700_000_000 * SECOND] * 2


@pytest.mark.parametrize("packed", [False, True])
def test_large_files_come_in_chunks_whose_rows_go_on(tmp_path: Path, packed: bool) -> None:
    count = BLOCK * 5 // 4 // 30
    bad = count - 1_000
    lines = [b"%d,100.25,101.5,99.75,100,5" % (1_600_000_000 + 60 * index) for index in range(count)]
    lines[bad] += b",6"
    content = b"time,o,h,l,c,v\n" + b"\n".join(lines)
    path = tmp_path / "bars"
    path.write_bytes(gzip.compress(content, 1) if packed else content)
    told: list[tuple[int, int]] = []
    (recording,) = RecordedFeed.recordings([path], on_progress=lambda done, total: told.append((done, total)))
    chunks = list(recording.bars)
    assert len(chunks) >= 2
    assert max(map(len, chunks)) < 1_200_000
    raw = joined(chunks)
    assert raw.row.tolist() == list(range(2, count + 2))
    sound = np.arange(count) != bad
    np.testing.assert_array_equal(raw.stamp[sound], (1_600_000_000 + 60 * np.arange(count)[sound]) * SECOND)
    assert list(raw.unreadable) == [bad + 2]
    assert all(column.flags.writeable for column in (raw.stamp, chunks[0].open, chunks[0].close))
    assert told == sorted(told)
    assert told[-1][0] == told[-1][1]


def test_many_instruments_in_any_order(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv"
    names = [f"N{index * 7 % 13}" for index in range(1_300)]
    rows = [f"{name},{1_700_000_000 + index},1,2,1,{index},3" for index, name in enumerate(names)]
    path.write_text("\n".join(["Instrument,time,open,high,low,close,volume", *rows]))
    found = list(recordings([path], ReadingOptions()))
    assert [each.symbol for each in found] == names[:13]
    for each in reversed(found):  # in any order, even after the files are closed
        raw = joined(list(each.bars))
        expected = [index for index, name in enumerate(names) if name == each.symbol]
        assert raw.close.tolist() == expected
        assert (raw.row - 2).tolist() == expected


def test_folders_give_their_files_sorted(tmp_path: Path) -> None:
    text = "date,open,high,low,close\n2024-01-02,1,2,1,2\n"
    for name in ("b.csv", "A.csv.gz", "c.JSONL", "d.d.tsv", ".hidden.csv", "README.md", "notes.txt"):
        (tmp_path / name).write_bytes(gzip.compress(text.encode()) if name.endswith("gz") else text.encode())
    (tmp_path / "deeper").mkdir()
    # What a file is called does not matter once it is read: c.JSONL holds CSV.
    assert [each.symbol for each in recordings([tmp_path], ReadingOptions())] == ["A", "b", "c", "d.d"]
    assert [each.symbol for each in recordings([tmp_path / "notes.txt"], ReadingOptions())] == ["notes"]


@pytest.mark.parametrize(
    ("header", "stamp", "cell", "kind"),
    [
        ("time,open,high,low,close", "open", "2024-01-02T10:00Z", "open"),
        ("time,open,high,low,close", "close", "2024-01-02T10:00Z", "close"),
        ("close time,open,high,low,close", "open", "2024-01-02T10:00Z", "close"),
        ("date,open,high,low,close", "close", "2024-01-02", "date"),
        ("time,open,high,low,close", "close", "2024-01-02 00:00", "close"),
    ],
)
def test_the_kind_of_stamp(tmp_path: Path, header: str, stamp: str, cell: str, kind: str) -> None:
    path = tmp_path / "bars.csv"
    path.write_text(f"{header}\n{cell},1,2,1,2\n{cell},1,2,1,2\n")
    (recording,) = RecordedFeed.recordings([path], stamp=stamp)
    assert joined(list(recording.bars)).stamp_kind == kind


def test_of_an_open_and_a_close_time_the_right_one_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv"
    path.write_text("Open time,open,high,low,close,Close time\n1700000000000,1,2,1,2,1700000060000\n")
    for stamp, seconds in (("open", 1_700_000_000), ("close", 1_700_000_060)):
        (raw,) = read(path, ReadingOptions(stamp=stamp)).values()  # type: ignore[arg-type]  # one of the two
        assert (raw.stamp_kind, raw.stamp.tolist()) == (stamp, [seconds * SECOND])
