"""The blocks of a file that Arrow reads."""

from __future__ import annotations

from pathlib import Path
from threading import get_ident
from typing import TYPE_CHECKING

import pytest

from adapters.feeds.files.kinds.csv import CsvLines
from adapters.feeds.files.kinds.json_lines import JsonLines
from adapters.feeds.files.trouble import ReadingOptions

if TYPE_CHECKING:
    from collections.abc import Callable

PATH = Path("gannet")
HEAD = "time,open,high,low,close,volume"
ROW = "2026-03-02T17:00:00Z,101.20,101.95,101.05,101.80,5120"
OBJECT = '{"time": "2026-03-02T17:00:00Z", "open": 101.2, "high": 101.95, "low": 101.05, "close": 101.8, "volume": 9}'


@pytest.mark.parametrize(
    ("lines", "row"),
    [
        (lambda: CsvLines(PATH, [HEAD, ROW], ReadingOptions()), ROW),
        (lambda: JsonLines(PATH, [OBJECT], ReadingOptions()), OBJECT),
    ],
)
def test_a_block_is_freed_by_the_thread_that_reads_it(lines: Callable[[], CsvLines | JsonLines], row: str) -> None:
    freed_by = []

    class Block(bytes):
        def __del__(self) -> None:
            freed_by.append(get_ident())

    read = lines()
    for _ in range(200):
        assert read.table(Block(f"{row}\n".encode() * 500), ".") is not None
    assert freed_by == [get_ident()] * 200
