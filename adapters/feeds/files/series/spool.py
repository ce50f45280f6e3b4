"""The rows of a file with several instruments, put aside by instrument."""

from __future__ import annotations

import json
from dataclasses import dataclass
from tempfile import SpooledTemporaryFile
from typing import TYPE_CHECKING, Any
from weakref import finalize

import numpy as np

from adapters.feeds.raw_rows import NUMBERS
from scanner.market.bars import RawBars

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.market.bars import StampKind

IN_MEMORY = 64 << 20
ROWS = 1 << 20
COLUMNS = {"stamp": np.int64, "row": np.int64} | dict.fromkeys(NUMBERS, np.float64)


@dataclass(frozen=True, slots=True)
class _Piece:
    begin: int
    rows: int
    told: int


class Spool:
    """Rows put aside by instrument: in memory while they are few, then in a temporary file that nobody else sees.

    One pass through the file is enough, in whichever order its rows come, and memory stays small.
    """

    def __init__(self) -> None:
        self._file = SpooledTemporaryFile(IN_MEMORY)  # noqa: SIM115 - closed when the last reader releases the spool
        self._pieces: dict[str, list[_Piece]] = {}
        self._end = 0
        self._source = ""
        self._kind: StampKind = "open"
        finalize(self, self._file.close)

    @property
    def symbols(self) -> list[str]:
        """Give the instruments in order of first appearance."""
        return list(self._pieces)

    def put(self, symbol: str, raw: RawBars) -> None:
        """Put rows of one instrument aside; source and kind of stamp are the same for all."""
        told = json.dumps(list(raw.unreadable.items())).encode() if raw.unreadable else b""
        self._source, self._kind = raw.source, raw.stamp_kind
        self._file.seek(self._end)
        for name in COLUMNS:
            self._file.write(np.ascontiguousarray(getattr(raw, name)).data)
        self._file.write(told)
        self._pieces.setdefault(symbol, []).append(_Piece(self._end, len(raw), len(told)))
        self._end = self._file.tell()

    def bars(self, symbol: str) -> Iterator[RawBars]:
        """Give the rows of one instrument, up to about a million at a time."""
        gathered: list[_Piece] = []
        rows = 0
        for piece in self._pieces[symbol]:
            if gathered and rows + piece.rows > ROWS:
                yield self._read(gathered)
                gathered, rows = [], 0
            gathered.append(piece)
            rows += piece.rows
        yield self._read(gathered)

    def _read(self, pieces: Sequence[_Piece]) -> RawBars:
        total = sum(piece.rows for piece in pieces)
        columns: dict[str, NDArray[Any]] = {name: np.empty(total, kind) for name, kind in COLUMNS.items()}
        told: dict[int, str] = {}
        at = 0
        for piece in pieces:
            self._file.seek(piece.begin)
            for column in columns.values():
                self._file.readinto(column[at : at + piece.rows].data)
            if piece.told:
                told.update(json.loads(self._file.read(piece.told)))
            at += piece.rows
        return RawBars(**columns, source=self._source, stamp_kind=self._kind, unreadable=told)
