"""Files that are not tables of bars get one sentence that names the file; no bytes get anything worse."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import tracemalloc
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from adapters.feeds.files.opening import recordings
from adapters.feeds.files.trouble import ReadingOptions, UnreadableFileError
from scanner.market.bars import NO_TIME, RawBars
from tests.adapters.files.bar_tables import NUMBERS, Table, as_csv, as_json_lines, as_parquet
from tests.adapters.files.bar_tables import TIMES as WAYS
from tests.adapters.files.bar_tables import Layout as CsvLayout
from tests.effort import EFFORT

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HEADER = b"time,open,high,low,close,volume\n"
ROW = b"2024-01-02T10:00Z,1,2,1,2,5\n"
SMALL = Table([1_700_000_000 + 60 * index for index in range(40)], [(1.5, 2.5, 1.25, 2.0, 7.0)] * 40)
PARQUET = as_parquet(SMALL, pa.array(SMALL.times).cast(pa.timestamp("s", "UTC")), pa.float64())


def refusal(path: Path, **options: str) -> str:
    """Read a file that must be refused and give the sentence."""
    found = recordings([path], ReadingOptions(**options))  # type: ignore[arg-type]  # texts all
    with pytest.raises(UnreadableFileError) as caught:
        list(chain.from_iterable(recording.bars for recording in found))
    text = str(caught.value)
    assert "\n" not in text
    assert len(text) < 600 + len(str(path))
    return text.removeprefix(f"{path}: ")


NEEDED = "a file of bars has columns for time (or date), open, high, low and close"
FORM = 'in the column "time" is not in a standard form; say how it is written with --time-format, such as'
WHAT = (
    "its content is neither text nor Parquet nor a workbook; "
    "give CSV (plain or gzip), JSON lines, Parquet or a workbook of a spreadsheet"
)
ALONE = "its lines end in carriage returns only; save it with normal line ends"
HEADLESS = (
    "there is no header, the file begins with numbers; "
    "put the names of the columns on the first line, such as time,open,high,low,close,volume, "
    "or say which column is which by its number, such as --columns time=1,open=2,high=3,low=4,close=5"
)
DOUBLE = '"close" and "Close" could both be the close; say which with --columns "close=close"'
COMMA = (
    '"71,500" can be read as 71500 or with a decimal comma, and nothing else in the file settles it; '
    "add --decimal , if the comma is the decimal mark, or --decimal . if it separates thousands"
)
WIDE = (
    'no row has a readable time; row 2: 7 fields instead of 6: "2024-01-02T10:00Z,1,2,1,2,5,9"; '
    "check that the rows match the header"
)
DAMAGED = "the Parquet file is damaged or cut off; fetch it again"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "it is empty; put bars in it"),
        (b"\n \r\n", "it is empty; put bars in it"),
        ("\u00a0\n".encode(), "its first lines are blank; put the names of the columns on the first"),
        (b"\n" * 200 + b'{"time": 1}\n', "its first lines are blank; begin with an object on the first"),
        (HEADER, "it has a header but no rows; put bars in it"),
        (HEADER + b"\n\n", "it has a header but no rows; put bars in it"),
        (ROW + ROW, HEADLESS),
        (
            b"Date,Open,Low,Adj Close\n2024-01-02,1,2,3\n",
            (
                f'no column is named high, close; found "Date", "Open", "Low", "Adj Close"; {NEEDED}; '
                "say which with --columns high=NAME,close=NAME"
            ),
        ),
        (b'{"specversion":"1.0","id":"a"}\n', "it holds events, not bars; keep it in another folder than the bars"),
        (b"dear diary\ntoday\n", f'no column is named time, open, high, low, close; found "dear diary"; {NEEDED}'),
        (b"time,open,high,low,close,Close\n" + ROW, DOUBLE),
        (b"time;open;high;low;close\n2024-01-02;71,500;71,510;71,490;71,500\n", COMMA),
        (b"time,open,high,low,close\r2024-01-02,1,2,1,2\r", ALONE),
        (HEADER + ROW.replace(b"\n", b",9\n"), WIDE),
        (
            HEADER + b"1/4/1999,1,2,1,2,5\n",
            (
                'the column "time" does not show which figure is the day, the month or the year, as in "1/4/1999"; '
                "add --time-format '%d/%m/%Y' or --time-format '%m/%d/%Y' (%d is the day, %m the month)"
            ),
        ),
        (HEADER + b"Lundi 4,1,2,1,2,5\n", f'the time "Lundi 4" {FORM} %d %b %Y %H:%M'),
        (HEADER + b"202401021000,1,2,1,2,5\n", f'the time "202401021000" {FORM} %Y%m%d%H%M'),
        (b'[{"time": 1}]', "it is one JSON array; write each bar as an object on a line of its own"),
        (b'{\n"time": 1}', 'line 1 is not a JSON object but reads "{"; write one whole object on each line'),
        (
            b'{"time": 1, "open": 2}\n',
            (
                f'no column is named high, low, close; found "time", "open"; {NEEDED}; '
                "say which with --columns high=NAME,low=NAME,close=NAME"
            ),
        ),
        (HEADER.decode().encode("utf-16"), "it has a header but no rows; put bars in it"),
        (bytes(range(256)), WHAT),
        (gzip.compress(b"", mtime=0), "it is empty; put bars in it"),
        (gzip.compress(PARQUET, mtime=0), "it is Parquet inside gzip; unpack it first"),
        (PARQUET[:-10], DAMAGED),
        (PARQUET[:4], DAMAGED),
    ],
)
def test_one_sentence_each(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "bars"
    path.write_bytes(content)
    assert refusal(path) == said


def test_rows_of_bars_above_the_header_are_not_titles(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv"
    path.write_bytes(ROW + ROW + HEADER + ROW)
    assert refusal(path) == (
        "line 1 looks like a row, but the names of the columns stand below it, in line 3; put them on the first line"
    )


def test_a_plain_file_is_read_without_loading_pandas(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv"
    path.write_bytes(HEADER + b"".join(b"2024-01-02T%02d:00Z,10.5,11,10,10.25,5\n" % hour for hour in range(20)))
    code = (
        "import sys; from pathlib import Path; from adapters.feeds.files.opening import recordings; "
        "from adapters.feeds.files.trouble import ReadingOptions; "
        "print(sum(len(raw) for one in recordings([Path(sys.argv[1])], ReadingOptions()) for raw in one.bars), "
        "'pandas' in sys.modules)"
    )
    printed = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    assert printed.stdout == "20 False\n"


def test_options_that_do_not_fit(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv"
    path.write_bytes(HEADER + ROW)
    assert refusal(path, time_format="%d.%m.%Y") == (
        'the time "2024-01-02T10:00Z" in the column "time" does not fit --time-format %d.%m.%Y '
        "and is in a standard form; leave --time-format out"
    )
    assert refusal(path, time_format="%H:%M").startswith("--time-format: '%H:%M' has no full date")
    assert refusal(path, time_format="%Y-%Q").startswith("--time-format: '%Y-%Q' is not a time format")
    assert refusal(path, tz="Mars/Olympus").startswith("--tz: there is no time zone 'Mars/Olympus'")
    path.write_bytes(HEADER.replace(b"time", b"open time") + ROW)
    assert refusal(path, stamp="close").endswith("leave out --stamp close")


@pytest.mark.parametrize("cut", [5, 20, -1, -8, -500])
def test_a_cut_off_gzip_is_refused_before_any_bar_is_given(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "bars.csv.gz"
    path.write_bytes(gzip.compress(HEADER + os.urandom(30_000).hex("\n", 30).encode())[:cut])
    with pytest.raises(UnreadableFileError, match="cut off, so nothing in it can be trusted; fetch it again"):
        next(recordings([path], ReadingOptions()))


def test_a_flipped_bit_in_gzip_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "bars.csv.gz"
    packed = bytearray(gzip.compress(HEADER + ROW * 50))
    packed[-6] ^= 1  # in the checksum
    path.write_bytes(packed)
    assert refusal(path) == "the gzip file is damaged; fetch it again"


@pytest.mark.parametrize("content", [HEADER + ROW + ROW, PARQUET])
def test_a_name_that_is_not_utf_8(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / os.fsdecode(b"TERN\xff.csv")
    path.write_bytes(content)
    assert refusal(path) == "its path is not UTF-8, as names here must be; rename it"


def test_what_is_not_a_file(tmp_path: Path) -> None:
    assert refusal(tmp_path / "absent.csv") == "there is no such file; check the name"
    assert refusal(tmp_path).startswith("the folder has no file of bars (.csv, .tsv,")
    folder = tmp_path / "folder"
    (folder / "inner.csv").mkdir(parents=True)
    assert refusal(folder).endswith("inner.csv: it is a folder; a folder within a folder is not looked into")
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    assert refusal(pipe) == "it is not a regular file; save the bars to a file first"


def test_a_file_that_is_given_twice_is_read_once(tmp_path: Path) -> None:
    path, told = tmp_path / "TERN.csv", list[str]()
    path.write_bytes(HEADER + ROW)
    (found,) = recordings([tmp_path, path], ReadingOptions(), on_trouble=told.append)
    assert told == [f"{path}: it is given twice; give it once"]
    assert [len(bars) for bars in found.bars] == [1]


@pytest.fixture
def forbidden(tmp_path: Path) -> Iterator[Path]:
    """Give a file that may not be read."""
    path = tmp_path / "bars.csv"
    path.write_bytes(HEADER + ROW)
    path.chmod(0)
    if os.geteuid():
        yield path
        return
    os.seteuid(65_534)  # nobody: no permission stops root
    yield path
    os.seteuid(0)


def test_no_permission(forbidden: Path) -> None:
    assert refusal(forbidden) == "no permission to read it; change its access rights"


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("begin", [b"", HEADER + ROW, b'{"t":1,"o":1,"h":1,"l":1,"c":1}\n{"t":'])
def test_a_line_without_end_does_not_fill_the_memory(tmp_path: Path, begin: bytes, packed: bool) -> None:
    path = tmp_path / "bars.csv"
    with path.open("wb") as file:
        file.write(gzip.compress(begin, mtime=0) if packed else begin)
        part = b"7" * (8 << 20)
        part = gzip.compress(part, mtime=0) if packed else part
        # Plain, it is a line of 2 GB, most of it a hole in the file; packed, one of 512 MB in many gzip members.
        for _ in range(64 if packed else 5):
            file.write(part)
        if not packed:
            file.truncate(2 << 30)
    tracemalloc.start()
    said = refusal(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert f"line {begin.count(chr(10).encode()) + 1} is longer than 1,000,000 bytes" in said
    assert peak < 100 << 20


@pytest.mark.parametrize(
    ("column", "kind", "said"),
    [
        ("close", pa.bool_(), "the close must be a number"),
        ("time", pa.time32("ms"), "a time must be a timestamp, a date, a text or a number"),
        ("symbol", pa.binary(), "an instrument must be named by a text"),
    ],
)
def test_parquet_columns_of_the_wrong_type(tmp_path: Path, column: str, kind: pa.DataType, said: str) -> None:
    columns = {name: pa.array([1.0]) for name in ("time", *NUMBERS)} | {column: pa.nulls(1, kind)}
    path = tmp_path / "bars.parquet"
    parquet.write_table(pa.table(columns), path)
    assert refusal(path) == f'the column "{column}" is of type {kind}; {said}'


def test_parquet_without_rows(tmp_path: Path) -> None:
    path = tmp_path / "bars.parquet"
    parquet.write_table(pa.table({name: pa.array([], pa.float64()) for name in ("time", *NUMBERS)}), path)
    assert refusal(path) == "it has no rows; put bars in it"


_WRITTEN = [
    as_csv(SMALL, WAYS[way](SMALL), layout)
    for way, layout in (
        ("RFC 3339, Z", CsvLayout()),
        ("no zone, Berlin", CsvLayout(packed=True)),
        ("two columns", CsvLayout(delimiter=";", line_end="\r\n", quoting=1)),
        ("epoch ms", CsvLayout(delimiter="\t", mark=True)),
    )
]
_WRITTEN.append(_WRITTEN[0].replace(b"id,", b"symbol,", 1))
_WRITTEN += [as_json_lines(SMALL, WAYS["epoch s"](SMALL), texts=texts) for texts in (False, True)]
_WRITTEN.append(PARQUET)
_PIECES = st.sampled_from(
    [
        b"\n",
        b"\r",
        b'"',
        b",",
        b"\0",
        b"NaN",
        b"{",
        b"}",
        b"[" * 3_000,
        b"\xff",
        b"9" * 400,
        b"e999",
        b"\xef\xbb\xbf",
        b"\\ud800",
    ]
) | st.binary(max_size=20)
_DAMAGE = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 30), _PIECES), max_size=6)


@settings(max_examples=40 * EFFORT, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    begin=st.sampled_from([b"", *_WRITTEN]),
    damage=_DAMAGE,
    repacked=st.booleans(),
    zone=st.sampled_from(["UTC", "America/New_York"]),
    time_format=st.sampled_from([None, "%Y-%m-%d %H:%M:%S", "%d %b %Y %z"]),
)
def test_any_bytes_give_bars_or_one_sentence(
    tmp_path: Path,
    begin: bytes,
    damage: list[tuple[float, int, bytes]],
    repacked: bool,
    zone: str,
    time_format: str | None,
) -> None:
    """Sound files damaged anywhere, and bytes at random; damage inside gzip and outside it."""
    content = begin
    for where, removed, put in damage:
        at = int(where * len(content))
        content = content[:at] + put + content[at + removed :]
    path = tmp_path / "bars"
    path.write_bytes(gzip.compress(content, mtime=0) if repacked else content)
    try:
        for recording in recordings([path], ReadingOptions(tz=zone, time_format=time_format)):
            for raw in recording.bars:
                assert_whole(raw)
    except UnreadableFileError as problem:
        assert str(problem).startswith(f"{path}: ")  # noqa: PT017 - bars are as good an outcome
        assert "\n" not in str(problem)  # noqa: PT017 - it may also not be raised


def assert_whole(raw: RawBars) -> None:
    """Check that raw bars keep what they promise, whatever they were read from."""
    columns = (raw.stamp, raw.row, *(getattr(raw, name) for name in NUMBERS))
    assert {len(column) for column in columns} == {len(raw)}
    assert [column.dtype for column in columns] == [np.int64] * 2 + [np.float64] * 5
    assert len(raw) > 0
    assert (np.diff(raw.row) > 0).all()
    assert set(raw.unreadable) <= set(raw.row.tolist())
    assert all(text.isprintable() for text in raw.unreadable.values())
    # A time that is not there is always told why; a price may also have been written as NaN.
    assert set(raw.row[raw.stamp == NO_TIME].tolist()) <= set(raw.unreadable)
