"""Tables of bars: files (CSV plain or gzip, JSON lines, Parquet, workbooks) and folders of them, and DataFrames."""

from __future__ import annotations

import re
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.feeds.files.kinds.bytes import ByteFile, Progress, first_lines
from adapters.feeds.files.kinds.csv import CsvLines
from adapters.feeds.files.kinds.json_lines import JsonLines
from adapters.feeds.files.kinds.lines import TextTable
from adapters.feeds.files.looking import Table, understand
from adapters.feeds.files.series.joined import end_to_end
from adapters.feeds.files.series.raw_bars import RawBarsMaker
from adapters.feeds.files.times.formats import style_for
from adapters.feeds.files.trouble import ReadingOptions, UnreadableFileError, reading
from scanner.ports import UnderstoodFile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    import pandas as pd

    from adapters.feeds.files.looking import Understanding
    from scanner.market.bars import RawBars

IN_FOLDERS = (
    *(".csv", ".tsv", ".jsonl", ".ndjson", ".json", ".parquet", ".pq"),
    *(".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"),
)
"""Endings, perhaps followed by .gz, of the files read in a folder. A file that is named itself is always read."""
ENDINGS = re.compile(r"(\.(csv|tsv|txt|jsonl|ndjson|json|parquet|pq|xls[xmb]?|ods))?(\.gz)?$", re.IGNORECASE)
"""The endings that are not part of an instrument's name."""
PARQUET = b"PAR1"
ARCHIVE = b"PK\x03\x04"
OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
"""How files of other kinds begin; newer workbooks are archives."""


@dataclass(frozen=True, slots=True)
class Recording:
    """The bars of one instrument, in chunks of up to about a million rows.

    ``bars`` is read lazily and only once. Its row numbers are the line numbers of the file, with a header in line 1,
    and continue from chunk to chunk; the rows of a Parquet file are counted from 1. ``path`` is the file, the
    earliest of several.
    """

    symbol: str
    path: Path
    bars: Iterator[RawBars]
    files: Sequence[Callable[[], UnderstoodFile]]
    reopened: Callable[[], Iterator[Recording]]

    def again(self) -> Iterator[RawBars]:
        """Read the bars once more, from the first one on."""
        return next(each.bars for each in self.reopened() if each.symbol == self.symbol)

    def understood(self) -> Sequence[UnderstoodFile]:
        """Say what was understood of the files, once the bars have been read."""
        return [each() for each in self.files]


def recordings(
    paths: Sequence[Path],
    options: ReadingOptions,
    on_progress: Callable[[int, int], None] | None = None,
    on_trouble: Callable[[str], None] | None = None,
) -> Iterator[Recording]:
    """Open files and folders, one recording for each instrument; several files of one instrument are joined.

    The instrument is named by the file, or by a column Symbol, Ticker or Instrument; then there is one recording for
    each in order of first appearance. ``on_progress`` gets the bytes read and the bytes in all. Raises
    UnreadableFileError, here or while bars are read, for a damaged file or one that is not a table of bars. If
    ``on_trouble`` is given, it is called for files that cannot be opened or joined, and the others are read. No row is
    dropped or repaired: ``unreadable`` says what cannot be read in a row, and the guard refuses it.
    """
    _check(options)
    progress = Progress(on_progress)
    found = _Found(options, lambda own: recordings(own, options))
    files = _files(paths, on_trouble)
    for path in files:
        with _told(on_trouble):
            file = ByteFile.of(path, progress, stays_open=len(files) == 1)
            found.add(path, _symbol_of(path), _open(file, options))
    yield from found.recordings(on_trouble)


def tables(frames: Mapping[str, pd.DataFrame], options: ReadingOptions) -> Iterator[Recording]:
    """Read tables in memory as ``recordings`` reads files; a table's name serves as its path and its instrument.

    Rows are numbered from 1. Raises UnreadableFileError, here or while bars are read.
    """
    from adapters.feeds.files.kinds.frame import FrameTable  # noqa: PLC0415 - brings pandas

    _check(options)
    found = _Found(options, lambda _: tables(frames, options))
    for name, frame in frames.items():
        found.add(Path(name), name, FrameTable(Path(name), frame, options))
    yield from found.recordings()


class _Found:
    """The contents of tables, by instrument."""

    def __init__(self, options: ReadingOptions, reopened: Callable[[Sequence[Path]], Iterator[Recording]]) -> None:
        self._options, self._reopened = options, reopened
        self._parts: dict[str, list[tuple[Path, Callable[[], UnderstoodFile], Iterator[RawBars]]]] = {}

    def add(self, path: Path, symbol: str, table: Table) -> None:
        """Add a table; ``symbol`` is its instrument if no column names it."""
        seen = understand(path, table, self._options)
        maker = RawBarsMaker(path, seen.stamps, self._options.zone)
        rows = map(seen.cells, table.read(seen.numbers.decimal))
        own = {symbol: maker.one(rows)} if table.columns.symbol is None else maker.several(rows, symbol)
        for name, bars in own.items():
            told = partial(_understood, path, table, seen, maker, self._options)
            self._parts.setdefault(name, []).append((path, told, bars))

    def recordings(self, on_trouble: Callable[[str], None] | None = None) -> Iterator[Recording]:
        """Give a recording for each instrument; ``on_trouble`` is told of files that cannot be joined."""
        for name, parts in self._parts.items():
            with _told(on_trouble):
                path, bars = end_to_end(name, [(path, bars) for path, _, bars in parts])
                reopened = partial(self._reopened, [path for path, _, _ in parts])
                yield Recording(name, path, bars, [told for _, told, _ in parts], reopened)


def _understood(
    path: Path, table: Table, seen: Understanding, maker: RawBarsMaker, options: ReadingOptions
) -> UnderstoodFile:
    """Describe how a file was understood once its rows have been read."""
    columns, stamps = table.columns, seen.stamps
    named = {"time": columns.time_name} | {what: columns.names[index] for what, index in columns.numbers.items()}
    if columns.symbol is not None:
        named["symbol"] = columns.names[columns.symbol]
    return UnderstoodFile(
        path=path,
        form=table.form,
        columns=named,
        unused=[name for index, name in enumerate(columns.names) if name and index not in columns.wanted],
        decimal=seen.numbers.decimal,
        currency=seen.numbers.currency,
        time_format=stamps.time_format or "",
        stamp=stamps.kind,
        zone=options.tz if stamps.local else "",
        newest_first=maker.newest_first,
        open_end=table.open_end,
    )


@contextmanager
def _told(on_trouble: Callable[[str], None] | None) -> Iterator[None]:
    try:
        yield
    except UnreadableFileError as problem:
        if on_trouble is None:
            raise
        on_trouble(str(problem))


def _files(paths: Sequence[Path], on_trouble: Callable[[str], None] | None) -> list[Path]:
    found: dict[Path, Path] = {}
    for given in paths:
        files: list[Path] = []
        with _told(on_trouble):
            files = _files_in(given)
        for path in files:
            with _told(on_trouble):
                if path.absolute() in found:
                    raise UnreadableFileError(f"{path}: it is given twice; give it once")
                found[path.absolute()] = path
    return list(found.values())


def survey(paths: Sequence[Path], options: ReadingOptions) -> Iterator[tuple[Path, str | None, str]]:
    """Look at the beginning of each file: (file, its only instrument or None if a column names them, trouble).

    For a file that cannot be read, trouble is a sentence; the others are still read. UnreadableFileError for options.
    """
    _check(options)
    for given in paths:
        try:
            files = _files_in(given)
        except UnreadableFileError as problem:
            yield given, None, str(problem)
            continue
        for path in files:
            try:
                columns = _open(ByteFile.of(path, Progress(None)), options).columns
            except UnreadableFileError as problem:
                yield path, None, str(problem)
            else:
                yield path, _symbol_of(path) if columns.symbol is None else None, ""


def _check(options: ReadingOptions) -> None:
    """Raise UnreadableFileError for a format of times or a zone that does not exist."""
    option = "--time-format"
    try:
        if options.time_format is not None:
            style_for(options.time_format)
        option = "--tz"
        _ = options.zone
    except ValueError as problem:
        raise UnreadableFileError(f"{option}: {problem}") from problem


def _files_in(path: Path) -> list[Path]:
    with reading(path):
        if not path.is_dir():
            return [path]
        found = sorted(
            each
            for each in path.iterdir()
            if not each.name.startswith(".") and each.name.lower().removesuffix(".gz").endswith(IN_FOLDERS)
        )
    if not found:
        raise UnreadableFileError(
            f"{path}: the folder has no file of bars ({', '.join(IN_FOLDERS)}); name another folder"
        )
    return found


def _symbol_of(path: Path) -> str:
    return ENDINGS.sub("", path.name) or path.name


def _open(file: ByteFile, options: ReadingOptions) -> Table:
    """Find out the kind of a file, and with gzip that it is whole; its rows are read later."""
    try:
        str(file.path).encode()
    except UnicodeEncodeError:
        raise UnreadableFileError(f"{file.path}: its path is not UTF-8, as names here must be; rename it") from None
    if file.begin.startswith(PARQUET):
        from adapters.feeds.files.kinds.parquet import ParquetTable  # noqa: PLC0415 - loads what the others need not

        _refuse_packed(file, "Parquet")
        return ParquetTable(file, options)
    if file.begin.startswith((ARCHIVE, OLD_WORKBOOK)):
        from adapters.feeds.files.kinds.workbook import WorkbookTable  # noqa: PLC0415 - as above

        _refuse_packed(file, "a workbook")
        return WorkbookTable(file, options)
    head = file.head()
    begin = head.strip()
    if not begin:
        raise UnreadableFileError(f"{file.path}: it is empty; put bars in it")
    if re.search(rb"[\x00-\x08\x0e-\x1f]", head[:4096]):
        raise UnreadableFileError(
            f"{file.path}: its content is neither text nor Parquet nor a workbook; "
            "give CSV (plain or gzip), JSON lines, Parquet or a workbook of a spreadsheet"
        )
    if begin.startswith(b"<") and re.match(rb"<(!doctype|html|\?xml|table|body|meta|style)\b", begin, re.IGNORECASE):
        raise UnreadableFileError(
            f"{file.path}: it is a web page or XML, whatever its name says; "
            "open it in a spreadsheet, and save it as a workbook or as CSV"
        )
    if begin.startswith(b"["):
        raise UnreadableFileError(
            f"{file.path}: it is one JSON array; write each bar as an object on a line of its own"
        )
    lines = first_lines(head, file.path)
    kind: type[JsonLines | CsvLines] = JsonLines if begin.startswith(b"{") else CsvLines
    form = kind(file.path, lines, options)
    if not form.has_rows:
        raise UnreadableFileError(f"{file.path}: it has a header but no rows; put bars in it")
    table = TextTable(file, form, head)
    file.verify()
    return table


def _refuse_packed(file: ByteFile, what: str) -> None:
    if file.packed:
        raise UnreadableFileError(f"{file.path}: it is {what} inside gzip; unpack it first")
