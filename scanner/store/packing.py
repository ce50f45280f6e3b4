"""Arrays packed into bytes and back, bit for bit, with a check that detects any damage."""

from __future__ import annotations

import codecs
import json
import struct
import zlib
from dataclasses import dataclass
from types import NoneType
from typing import TYPE_CHECKING

import numpy as np
import orjson

from scanner.market.bars import Bars
from scanner.store.trouble import DamagedError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Table = NDArray[np.int64]

HEADER = struct.Struct("<IIII")
COLUMNS = 7
LEVEL = 1
"""The fastest level of zlib: bars take 18 instead of 56 bytes, and a higher level gains little."""
QUICKLY_WRITTEN = {str, int, NoneType}
CHECK = struct.Struct("<I")
JSON_NUMBERS = "closewatch.json"
"""Names how letters that are not ASCII are written."""


@dataclass(frozen=True, slots=True)
class PackedRows:
    """Rows of several series: runs of ``counts`` rows each, of the series ``ids``.

    ``table`` has seven rows of 64 bits, one for each column of bars or raw rows, and a column for each bar or row;
    floats are stored as their bits. ``note`` is for any further information.
    """

    ids: NDArray[np.int64]
    counts: NDArray[np.int64]
    table: Table
    note: bytes = b""


def pack(rows: PackedRows) -> bytes:
    """Write rows as bytes, little-endian and deflated; zlib's checksum is over all of it."""
    ids, counts, table = (np.ascontiguousarray(part, dtype="<i8") for part in (rows.ids, rows.counts, rows.table))
    header = HEADER.pack(1, len(ids), table.shape[1], len(rows.note))
    return zlib.compress(b"".join((header, ids.tobytes(), counts.tobytes(), table.tobytes(), rows.note)), LEVEL)


def unpack(data: object, what: str) -> PackedRows:
    """Read what ``pack`` wrote, as read-only arrays; DamagedError says that it was ``what``."""
    try:
        content = zlib.decompress(_bytes(data, what))
        version, runs, count, note = HEADER.unpack_from(content)
    except (zlib.error, struct.error) as problem:
        raise DamagedError(f"{what} cannot be read") from problem
    if version != 1 or len(content) != HEADER.size + 8 * (2 * runs + COLUMNS * count) + note:
        raise DamagedError(f"{what} cannot be read")
    numbers = np.frombuffer(content, "<i8", 2 * runs + COLUMNS * count, HEADER.size)
    table = numbers[2 * runs :].reshape(COLUMNS, count)
    return PackedRows(numbers[:runs], numbers[runs : 2 * runs], table, content[len(content) - note :])


def seal(data: bytes) -> bytes:
    """Put a checksum before bytes."""
    return CHECK.pack(zlib.crc32(data)) + data


def unseal(data: object, what: str) -> bytes:
    """Remove the checksum; DamagedError if it does not match."""
    sealed = _bytes(data, what)
    if len(sealed) < CHECK.size or CHECK.unpack_from(sealed)[0] != zlib.crc32(sealed[CHECK.size :]):
        raise DamagedError(f"{what} cannot be read")
    return sealed[CHECK.size :]


def _bytes(data: object, what: str) -> bytes:
    """Give what SQLite gave; if the head of a row is damaged, that may be a number, a text or nothing."""
    if not isinstance(data, bytes):
        raise DamagedError(f"{what} cannot be read")
    return data


def joined(parts: Iterable[bytes]) -> bytes:
    """Join parts into one, each after its length."""
    return b"".join(len(part).to_bytes(4, "little") + part for part in parts)


def parts_of(whole: bytes) -> list[bytes]:
    """Split what ``joined`` made."""
    parts, rest = [], whole
    while rest:
        size = int.from_bytes(rest[:4], "little")
        parts.append(rest[4 : 4 + size])
        rest = rest[4 + size :]
    return parts


def _as_json(found: UnicodeError) -> tuple[str, int]:
    """Write letters that are not ASCII as the standard library's JSON does."""
    if not isinstance(found, UnicodeEncodeError):
        raise found
    return json.dumps(found.object[found.start : found.end])[1:-1], found.end


codecs.register_error(JSON_NUMBERS, _as_json)


def checksum_of(values: Sequence[object]) -> int:
    """Give the checksum of texts, numbers and None as SQLite gives them; stores are full of them, so it must stay.

    It is over these values as the standard library writes them; a faster library writes those that it writes alike.
    """
    if all(type(value) in QUICKLY_WRITTEN for value in values):
        written = orjson.dumps(values)
        if not written.isascii():
            written = written.decode().encode("ascii", JSON_NUMBERS)
        return zlib.crc32(written.replace(b"\x7f", b"\\u007f"))
    return zlib.crc32(json.dumps(values, separators=(",", ":"), default=repr).encode())


def table_of(parts: Sequence[Bars]) -> Table:
    """Put bars end to end as one table."""
    if not parts:
        return np.empty((COLUMNS, 0), dtype=np.int64)
    columns = zip(*(part.columns() for part in parts), strict=True)
    return np.stack([np.concatenate(column).view(np.int64) for column in columns])


def bars_of(table: Table) -> Bars:
    """Give a table as bars."""
    return Bars(*table[:2], *table[2:].view(np.float64))


@dataclass(frozen=True, slots=True)
class Runs:
    """Rows in the order of their series: those of ids[k] are begins[k]…ends[k]−1 of ``table``, in their own order."""

    ids: list[int]
    begins: list[int]
    ends: list[int]
    table: Table

    @classmethod
    def of(cls, chunks: Sequence[PackedRows], last: int | None = None) -> Runs:
        """Put the rows of chunks in order, of each series the ``last`` ones or all."""
        if not chunks:
            return cls([], [], [], table_of([]))
        owners, counts = (np.concatenate([getattr(chunk, name) for chunk in chunks]) for name in ("ids", "counts"))
        begins = np.cumsum(counts) - counts
        order = np.argsort(owners, kind="stable")
        owners, counts, begins = owners[order], counts[order], begins[order]
        firsts = np.flatnonzero(np.diff(owners, prepend=-1))
        sizes = np.add.reduceat(counts, firsts) if len(firsts) else counts
        if last is not None:
            left = np.repeat(np.cumsum(sizes), np.diff(firsts, append=len(owners))) - np.cumsum(counts)  # rows after it
            taken = np.clip(last - left, 0, counts)
            counts, begins = taken, begins + counts - taken
            sizes = np.minimum(sizes, last)
        ends, before = np.cumsum(sizes), np.cumsum(counts) - counts
        where = np.repeat(begins - before, counts) + np.arange(ends[-1] if len(ends) else 0)
        table = np.concatenate([chunk.table for chunk in chunks], axis=1)[:, where]
        return cls(owners[firsts].tolist(), (ends - sizes).tolist(), ends.tolist(), table)

    def by_series(self) -> dict[int, Table]:
        """Give the rows of each series."""
        runs = zip(self.ids, self.begins, self.ends, strict=True)
        return {series: self.table[:, begin:end] for series, begin, end in runs}
