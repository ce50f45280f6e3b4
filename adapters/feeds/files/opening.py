"""Files of bars: CSV (plain or gzip), JSON lines and Parquet, told apart by their content, and folders of them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from adapters.feeds.files.kinds.bytes import LINE_LIMIT, ByteFile, Progress, line_too_long
from adapters.feeds.files.kinds.csv import CsvLines
from adapters.feeds.files.kinds.json_lines import JsonLines
from adapters.feeds.files.kinds.lines import HEADER_AND_ROW, read_lines
from adapters.feeds.files.series.joined import end_to_end
from adapters.feeds.files.series.raw_bars import RawBarsMaker
from adapters.feeds.files.times.styles import style_for
from adapters.feeds.files.trouble import ReadingOptions, UnreadableFileError, quoted, reading

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.cells import Cells
    from adapters.feeds.files.cells.columns import Columns
    from scanner.market.bars import RawBars

__all__ = ["ReadingOptions", "Recording", "UnreadableFileError", "recordings", "survey"]

IN_FOLDERS = (".csv", ".tsv", ".jsonl", ".ndjson", ".json", ".parquet", ".pq")
"""Endings, each perhaps with .gz behind it, by which bars are found in a folder. A file named itself is always read."""
PARQUET = b"PAR1"


@dataclass(frozen=True, slots=True)
class Recording:
    """The bars of one instrument, in chunks of up to about a million rows.

    ``bars`` is read lazily and only once. Its row numbers are those of the lines of a file, a header being line 1,
    and go on from chunk to chunk; the rows of a Parquet file are counted from 1. ``path`` is the file, the earliest
    of several.
    """

    symbol: str
    path: Path
    bars: Iterator[RawBars]


def recordings(
    paths: Sequence[Path], options: ReadingOptions, on_progress: Callable[[int, int], None] | None = None
) -> Iterator[Recording]:
    """Open files and folders, one recording for each instrument; what several files hold of one is put end to end.

    The instrument is named by the file, or by a column Symbol, Ticker or Instrument; then there is one recording for
    each in the order of first appearance. ``on_progress`` is told the bytes read and those in all. Raises
    UnreadableFileError, here or while bars are read, for a file that is no table of bars or a damaged one. A row is
    never dropped nor mended: what cannot be read in it is told in ``unreadable`` and left for the guard to refuse.
    """
    zone = _checked(options)
    progress = Progress(on_progress)
    found: dict[str, list[tuple[Path, Iterator[RawBars]]]] = {}
    for file in [ByteFile.of(path, progress) for given in paths for path in _files_in(given)]:
        columns, rows = _open(file, options)
        maker = RawBarsMaker(file.path, columns, options, zone)
        symbol = _symbol_of(file.path)
        if columns.symbol is None:
            found.setdefault(symbol, []).append((file.path, maker.one(rows)))
            continue
        spool = maker.several(rows, symbol)
        for name in spool.symbols:
            found.setdefault(name, []).append((file.path, spool.bars(name)))
    for name, parts in found.items():
        yield Recording(name, *(parts[0] if len(parts) == 1 else end_to_end(name, parts)))


def survey(paths: Sequence[Path], options: ReadingOptions) -> Iterator[tuple[Path, str | None, str]]:
    """Look at the beginning of each file: (file, its only instrument or None where a column tells them, trouble).

    A file that cannot be read has its trouble told in a sentence, and ends nothing. UnreadableFileError for options.
    """
    _checked(options)
    for given in paths:
        try:
            files = _files_in(given)
        except UnreadableFileError as problem:
            yield given, None, str(problem)
            continue
        for path in files:
            try:
                columns, _ = _open(ByteFile.of(path, Progress(None)), options)
            except UnreadableFileError as problem:
                yield path, None, str(problem)
            else:
                yield path, _symbol_of(path) if columns.symbol is None else None, ""


def _checked(options: ReadingOptions) -> ZoneInfo | None:
    """Give the zone of times that name none; None for UTC."""
    try:
        if options.time_format is not None:
            style_for(options.time_format)
    except ValueError as problem:
        raise UnreadableFileError(f"--time-format: {problem}") from problem
    try:
        return None if options.tz == "UTC" else ZoneInfo(options.tz)
    except (OSError, ValueError, KeyError) as problem:
        raise UnreadableFileError(
            f"--tz: there is no time zone {quoted(options.tz)}; give a name such as Europe/Berlin or UTC"
        ) from problem


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
    name = re.sub(r"\.gz$", "", path.name, flags=re.IGNORECASE)
    return re.sub(r"\.(csv|tsv|txt|jsonl|ndjson|json|parquet|pq)$", "", name, flags=re.IGNORECASE) or path.name


def _open(file: ByteFile, options: ReadingOptions) -> tuple[Columns, Iterator[Cells]]:
    """Find out what a file is, and that it is whole where gzip can tell; its rows are read when they are asked for."""
    try:
        str(file.path).encode()
    except UnicodeEncodeError:
        raise UnreadableFileError(f"{file.path}: its path is not UTF-8, as names here must be; rename it") from None
    head = file.head()
    if head.startswith(PARQUET):
        return _open_parquet(file, options)
    begin = head.strip()
    if not begin:
        raise UnreadableFileError(f"{file.path}: it is empty; put bars in it")
    if re.search(rb"[\x00-\x08\x0e-\x1f]", head[:4096]):
        raise UnreadableFileError(
            f"{file.path}: its content is neither text in UTF-8 nor Parquet; "
            "give CSV (plain or gzip), JSON lines or Parquet"
        )
    if begin.startswith(b"["):
        raise UnreadableFileError(
            f"{file.path}: it is one JSON array; write each bar as an object on a line of its own"
        )
    lines = _first_lines(head, file.path)
    kind: type[JsonLines | CsvLines] = JsonLines if begin.startswith(b"{") else CsvLines
    form = kind(file.path, lines, options)
    file.verify()
    return form.columns, read_lines(file, form)


def _first_lines(head: bytes, path: Path) -> list[str]:
    """Give the lines at the beginning up to the second that is not blank."""
    lines: list[str] = []
    rest, sound = head, 0
    while rest and sound < HEADER_AND_ROW:
        raw, _, rest = rest.partition(b"\n")
        if len(raw) > LINE_LIMIT:
            raise line_too_long(path, len(lines) + 1)
        lines.append(raw.decode("utf-8", errors="backslashreplace").removesuffix("\r"))
        sound += bool(raw.strip())
    return lines


def _open_parquet(file: ByteFile, options: ReadingOptions) -> tuple[Columns, Iterator[Cells]]:
    from adapters.feeds.files.kinds.parquet import ParquetTable  # noqa: PLC0415 - loads what the others need not

    if file.packed:
        raise UnreadableFileError(f"{file.path}: it is Parquet inside gzip; unpack it first")
    table = ParquetTable(file, options)
    return table.columns, table.read()
