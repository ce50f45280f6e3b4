"""Tables of bars in Parquet."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pyarrow as pa
from pyarrow import parquet

from adapters.feeds.files.cells.arrow import is_text
from adapters.feeds.files.cells.columns import find_columns
from adapters.feeds.files.kinds.typed import TypedTable
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
        self._table: Any = None
        with _sound(file.path):
            table = _opened(file.path)
            schema, count = table.schema_arrow, table.metadata.num_rows
            if file.stays_open:
                self._table = table
            else:
                table.close()
        columns, kinds = find_columns(schema.names, options, file.path), schema.types
        super().__init__(file.path, columns, [kinds[index] for index in columns.wanted], count)

    def told(self, rows: int) -> None:
        """Report the progress."""
        self._file.progress.advance(self._file.size * rows // self.count)

    def batches(self, size: int) -> Iterator[Sequence[Column]]:
        """Give the wanted columns; UnreadableFileError if the data are damaged."""
        names = [self.columns.names[index] for index in self.columns.wanted]
        with _sound(self._file.path), self._table or _opened(self._file.path) as table:
            self._table = None
            for batch in table.iter_batches(size, columns=names, use_threads=False):
                found = [batch.column(name) for name in names]
                for column in found:
                    if is_text(column.type):
                        column.validate(full=True)  # text that is not UTF-8
                yield found


def _opened(path: Path) -> Any:  # noqa: ANN401 - pyarrow publishes no types
    # A file on disk is read page by page: nothing would be won by fetching more of it beforehand.
    return parquet.ParquetFile(path, page_checksum_verification=True, pre_buffer=False)


@contextmanager
def _sound(path: Path) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError, MemoryError, UnicodeError) as problem:
        raise UnreadableFileError(f"{path}: the Parquet file is damaged or cut off; fetch it again") from problem
