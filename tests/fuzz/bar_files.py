"""Odd files of bars: each goes through reader, guard and engine as in a replay; growing files as in their feed."""

from __future__ import annotations

import csv
import gzip
import io
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from adapters.feeds.files.growing import GrowingFile
from adapters.feeds.files.opening import recordings
from adapters.feeds.files.trouble import ReadingOptions, UnreadableFileError
from scanner.replays.recordings import Reading, begun
from scanner.replays.replay import ReplayError, Tally, replay
from tests.adapters.files.bar_tables import DATES, TIMES, Layout, Table, Written, as_csv, as_json_lines, as_parquet
from tests.adapters.zoo import daily, intraday, workbooks  # noqa: F401 - each puts its files into the zoo
from tests.adapters.zoo.animals import ZOO
from tests.fuzz.oddities import NUMBERS, TEXTS, mutate_bytes, nested, recoded
from tests.fuzz.onward import TAPE, Found, take, warm_up

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from random import Random

    from scanner.follow.outcome import Came
    from scanner.market.guard import Note

__all__ = ["COUNT", "WHAT", "make", "warm_up"]

COUNT = 50_000
WHAT = "files of bars"
FIRST_LINES = 40
START, DAY = 1_700_000_100, 86_400
WAYS = {f"day, {name}": way for name, way in DATES.items()} | TIMES
COLUMNS = ("open", "high", "low", "close", "volume")
HEADERS = (
    "time",
    "Date",
    "Symbol",
    "ticker",
    "",
    "Open time",
    "Close time",
    "timestamp",
    "a",
    "OPEN",
    "vol",
    "Adj Close",
    "\ufeff",
)
OPTIONS = (
    *(ReadingOptions(),) * 6,
    ReadingOptions(stamp="close"),
    ReadingOptions(tz="Australia/Lord_Howe"),
    ReadingOptions(tz="Europe/Berlin", time_format="%d.%m.%Y %H:%M"),
    ReadingOptions(time_format="%Y-%m-%dT%H:%M:%SZ"),
)
KINDS: tuple[Callable[[], pa.DataType], ...] = (
    pa.float64, pa.float32, pa.float16, pa.int64, pa.uint64, pa.int8, pa.bool_, pa.string, pa.large_string, pa.binary,
    pa.null, pa.date32, pa.date64, partial(pa.timestamp, "ms"), partial(pa.timestamp, "ns", "UTC"),
    partial(pa.timestamp, "us", "Asia/Tokyo"), partial(pa.time32, "s"), partial(pa.time64, "ns"),
    partial(pa.duration, "s"), partial(pa.decimal128, 38, 10), partial(pa.decimal256, 76, 2),
    partial(pa.list_, pa.float64()), partial(pa.dictionary, pa.int32(), pa.string()),
)  # fmt: skip


@dataclass(frozen=True)
class OneFile:
    """A file, and how to read it; ``grown`` if its feed reads it in parts while it grows."""

    path: Path
    options: ReadingOptions
    parts: tuple[bytes, ...]
    grown: bool

    def __str__(self) -> str:
        """Also show the beginning of the file."""
        content = b"".join(self.parts)
        told = f"{self.path.name}, {len(content):,} bytes, {'grown' if self.grown else 'whole'}, {self.options}"
        return f"{told}\n{content[:2_000].decode(errors='backslashreplace')}"

    def run(self) -> Found:
        found = Found()
        try:
            if self.grown:
                self._grow(found)
            else:
                self.path.write_bytes(b"".join(self.parts))
                self._replay(found)
        except (UnreadableFileError, ReplayError) as problem:
            found.refuse(str(problem))
        return found

    def _grow(self, found: Found) -> None:
        file = GrowingFile(self.path, self.options, 300)
        for part in self.parts:
            with self.path.open("ab") as stream:
                stream.write(part)
            with suppress(UnreadableFileError):
                take(file.read(None), found)
        take(file.read(START * 1_000_000_000), found)

    def _replay(self, found: Found) -> None:
        def note(each: Note) -> None:
            found.refuse(each.text)

        ends: list[Came] = []
        for recording in recordings([self.path], self.options):
            tally = Tally(recording.symbol, str(recording.path))
            inputs, chunks = begun(Reading(step=Decimal("0.01")), recording, tally)
            for event in replay(inputs.pipeline(), chunks, tally, note, ends.append):
                event.to_line()
                found.events += 1
            found.bars += tally.bars


def make(random: Random, folder: Path) -> OneFile:
    """Make one case."""
    sort = random.choice(("csv", "csv", "jsonl", "parquet", "types", "zoo"))
    options = random.choice(OPTIONS)
    if sort == "types":
        content = odd_parquet(random)
    elif sort == "zoo":
        content, options = of_the_zoo(random.choice(list(ZOO)))
        if random.random() < 0.5:
            content = mutate_rows(random, content, "csv")
    else:
        content, fitting = good_file(sort, random.choice(list(WAYS)), random.randrange(6))
        options = fitting if random.random() < 0.8 else options
        if sort != "parquet" and random.random() < 0.8:
            for _ in range(random.choice((1, 1, 2, 5))):
                content = mutate_rows(random, content, sort)
    for _ in range(random.choice((0, 0, 1, 3) if sort != "parquet" else (1, 2, 4))):
        content = mutate_parquet(random, content) if sort in {"parquet", "types"} else mutate_bytes(random, content)
    if random.random() < 0.05:
        content = recoded(random, content)
    if sort in {"csv", "zoo"} and random.random() < 0.2:
        at, end = sorted(random.randrange(len(content) + 1) for _ in range(2))
        return OneFile(folder / "HRB.csv", options, (content[:at], content[at:end], content[end:]), grown=True)
    if random.random() < 0.15:
        content = packed(random, content)
    name = random.choice(("HRB.csv", "HRB.jsonl.gz", "HRB.parquet", "HRB", "a b.csv"))
    return OneFile(folder / name, options, (content,), grown=False)


@cache
def good_file(sort: str, style: str, number: int) -> tuple[bytes, ReadingOptions]:
    """Give a correct file, short or with a setup in it, and the options that it needs."""
    rows = TAPE[-(len(TAPE) if number == 0 else 12) :]
    step = 900 if style in TIMES else DAY
    start = START // step * step
    table = Table([start + step * place for place in range(len(rows))], [*rows])
    told: Written = WAYS[style](table)
    if sort == "jsonl":
        return as_json_lines(table, told, texts=number % 2 == 1), told.options
    if sort == "parquet":
        kind = (pa.float64(), pa.float32(), pa.string(), pa.decimal128(20, 6))[number % 4]
        cells = [cell[0] for cell in told.cells]
        whole = pa.array(table.times).cast(pa.timestamp("s", "UTC")) if number % 2 else pa.array(cells)
        return as_parquet(table, whole, kind), told.options
    layout = Layout(
        delimiter=",;\t"[number % 3],
        line_end="\r\n" if number == 1 else "\n",
        mark=number == 2,
        quoting=csv.QUOTE_ALL if number == 3 else csv.QUOTE_MINIMAL,
        last_end=number != 4,
    )
    content = as_csv(table, told, layout)
    if number == 5:  # several instruments
        content = content.replace(b"Adj Close", b"Symbol").replace(b"9.99", b"HRB", 6).replace(b"9.99", b"MLL")
    return content, told.options


@cache
def of_the_zoo(name: str) -> tuple[bytes, ReadingOptions]:
    """Give the beginning of a file such as people have, or a whole workbook, and the options that it needs."""
    animal = ZOO[name]()
    told = {what: value for what, value in animal.options.items() if what != "step"}
    options = ReadingOptions(**told)  # type: ignore[arg-type]  # options of all types
    if animal.ending in {"csv", "txt"}:
        return b"\n".join(animal.content.split(b"\n")[:FIRST_LINES]), options
    return animal.content, options


def mutate_rows(random: Random, content: bytes, sort: str) -> bytes:
    """Change a cell, a field, a row or the order of rows of a table in text."""
    lines = content.split(b"\n")
    at, other = random.randrange(len(lines)), random.randrange(len(lines))
    mark = max(b",;\t", key=content[:200].count).to_bytes()
    cells = lines[at].split(b"," if sort == "jsonl" else mark)
    place, its = random.randrange(len(cells)), random.randrange(len(cells))
    begin = cells[place].partition(b":")[0] + b": " if sort == "jsonl" and b":" in cells[place] else b""
    match random.randrange(11):
        case 0 | 1 | 2:
            cells[place] = begin + cell(random, sort)
        case 3:
            cells[place], cells[its] = cells[its], cells[place]
        case 4:
            del cells[place]
        case 5:
            cells.insert(place, cell(random, sort))
        case 6:
            lines[other] = lines[at]
        case 7:
            lines[at:at] = [lines[at]] * random.choice((1, 3, 200))
        case 8:
            del lines[at]
        case 9:
            lines.reverse() if random.random() < 0.3 else lines.insert(
                at, random.choice((b"", b" ", b"\r", b'"', b"#", b"{}"))
            )
        case _:
            cells[place] = begin + random.choice(HEADERS).encode()
    if at < len(lines) and lines[at] not in {b"", b"{}"}:
        lines[at] = (b"," if sort == "jsonl" else mark).join(cells)
    return b"\n".join(lines)


def cell(random: Random, sort: str) -> bytes:
    """Give an odd cell; rarely a very long one."""
    if random.random() < 0.01:
        return b"9" * random.choice((70_000, 140_000, 1_100_000))
    if sort == "jsonl" and random.random() < 0.1:
        return nested(random).encode()
    text = str(random.choice((*NUMBERS, *TEXTS)))[:6_000].encode("utf-8", "surrogatepass")
    return random.choice((text, text, b'"' + text + b'"', b" " + text + b" "))


def packed(random: Random, content: bytes) -> bytes:
    """Pack a file, once or twice, and sometimes damage the result."""
    small = gzip.compress(content, 1, mtime=0)
    small = random.choice(
        (small, small, gzip.compress(small, 1, mtime=0), small + small, small + b"\x00" * 20, small + b"x")
    )
    return mutate_bytes(random, small) if random.random() < 0.6 else small


def mutate_parquet(random: Random, content: bytes) -> bytes:
    """Change a file, half of the time in the footer, which says where everything is."""
    if random.random() < 0.5 or len(content) < 20:
        return mutate_bytes(random, content)
    size = min(int.from_bytes(content[-8:-4], "little"), len(content) - 8)
    footer = mutate_bytes(random, content[-8 - size : -8])
    told = len(footer) if random.random() < 0.8 else random.choice((0, 1, size, 2**31, 2**32 - 1))
    return content[: -8 - size] + footer + told.to_bytes(4, "little") + content[-4:]


def odd_parquet(random: Random) -> bytes:
    """Write a table whose columns are of odd types, with odd values in them."""
    names = ["time", *COLUMNS, *random.sample(HEADERS, random.choice((0, 0, 1, 2)))]
    arrays = []
    for name in names:
        usual = pa.int64() if name == "time" else pa.float64()
        kind = usual if random.random() < 0.6 else random.choice(KINDS)()
        count = 12
        plain: list[Any] = [START * 10**9 + 900 * 10**9 * place if name == "time" else 100.25 for place in range(count)]
        for _ in range(random.choice((0, 0, 1, 3))):
            plain[random.randrange(count)] = random.choice((*NUMBERS, *TEXTS, None))
        arrays.append(column(plain, kind))
    sink = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(arrays, names=names), sink, row_group_size=random.choice((1, 5, 100)))
    return sink.getvalue()


def column(values: list[Any], kind: pa.DataType) -> pa.Array:
    """Make a column of a type; if the values do not fit into it, from random bytes."""
    for convert in (
        lambda each: each,
        str,
        lambda each: int(float(each)),
        lambda each: [each],
        bool,
    ):
        try:
            return pa.array([None if each is None else convert(each) for each in values], kind)
        except (pa.ArrowException, TypeError, ValueError, OverflowError, UnicodeError):
            continue
    width = max(1, getattr(kind, "bit_width", 64) // 8) if pa.types.is_primitive(kind) else 0
    if not width:
        return pa.nulls(len(values), kind)
    content = np.arange(width * len(values), dtype=np.uint8)
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(content.tobytes())])
