"""Tables of bars in Parquet."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pyarrow as pa
from pyarrow import parquet

from adapters.feeds.files.cells.columns import find_columns
from adapters.feeds.files.kinds.typed import TypedTable, sort_of
from adapters.feeds.files.trouble import UnreadableFileError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Column
    from adapters.feeds.files.kinds.bytes import ByteFile
    from adapters.feeds.files.trouble import ReadingOptions


class ParquetTable(TypedTable):
    """One Parquet file."""

    form = "Parquet"

    def __init__(self, file: ByteFile, options: ReadingOptions) -> None:
        self._file = file
        with _opened(file.path) as table:
            schema = table.schema_arrow
            count = table.metadata.num_rows
        columns, kinds = find_columns(schema.names, options, file.path), schema.types
        super().__init__(file.path, columns, [kinds[index] for index in columns.wanted], count)

    def told(self, rows: int) -> None:
        """Report the progress."""
        self._file.progress.advance(self._file.size * rows // self.count)

    def batches(self, size: int) -> Iterator[Sequence[Column]]:
        """Give the wanted columns; UnreadableFileError if the data are damaged."""
        names = [self.columns.names[index] for index in self.columns.wanted]
        with _opened(self._file.path) as table:
            for batch in table.iter_batches(size, columns=names, use_threads=False):
                found = [batch.column(name) for name in names]
                for column in found:
                    if sort_of(column.type) == "text":
                        column.validate(full=True)  # text that is not UTF-8
                yield found


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    try:
        # A file on disk is read page by page: nothing would be won by fetching more of it beforehand.
        with parquet.ParquetFile(pa.OSFile(str(path)), page_checksum_verification=True, pre_buffer=False) as table:
            yield table
    except (pa.ArrowException, OSError, MemoryError, UnicodeError) as problem:
        raise UnreadableFileError(f"{path}: the Parquet file is damaged or cut off; fetch it again") from problem
