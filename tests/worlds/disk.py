"""The disk of a world: transactions that fail, and what remains of a store after a kill or a power cut."""

from __future__ import annotations

import shutil
import sqlite3
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, TypeVar

from scanner.store import Store
from scanner.store.database import Database

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from random import Random

    from tests.worlds.world import World

S = TypeVar("S", bound=Store)
HEADER, FRAME_HEADER, PAGE, INDEX_HEADER = 32, 24, 4_096, 48
FRAME = FRAME_HEADER + PAGE
"""Bytes of a write-ahead log: its header, and a page with a header of its own (SQLite file format, chapter 4).

Its index begins with a header too, which stands there twice.
"""
TROUBLES = (
    (sqlite3.SQLITE_IOERR, "disk I/O error"),
    (sqlite3.SQLITE_FULL, "database or disk is full"),
    (sqlite3.SQLITE_BUSY, "database is locked"),
)


class WorldDatabase(Database):
    """A database on the world's disk."""

    def __init__(self, path: Path, world: World, *, visiting: bool = False) -> None:
        self.world = world
        super().__init__(path, visiting=visiting, patience=5.0)

    @contextmanager
    def writing(self, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """Begin, and perhaps fail just before the commit."""
        with super().writing(durable=durable) as connection:
            yield connection
            self._maybe_fail("write")
        self.world.kept(self.path, durable=durable)

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Begin, unless that fails."""
        with super().reading() as connection:
            self._maybe_fail("read")
            yield connection

    def _maybe_fail(self, what: str) -> None:
        if (trouble := self.world.disk_trouble(what)) is not None:
            code, text = trouble
            problem = sqlite3.OperationalError(text)
            problem.sqlite_errorcode = code
            raise problem


def opened(kind: type[S], world: World, *, visiting: bool = False) -> S:
    """Open the store on the world's disk."""
    database = WorldDatabase(world.path, world, visiting=visiting)
    try:
        return kind(database, world.now)
    except BaseException:
        database.close()
        raise


def log_of(path: Path) -> Path:
    """Name the write-ahead log of a store."""
    return path.with_name(f"{path.name}-wal")


def synced(path: Path) -> tuple[bytes, int]:
    """Give the identity of the current run of the write-ahead log, and how many of its bytes belong to it.

    The index of the log tells, as bytes 32 to 39 and 16 to 19 (SQLite WAL-mode file format, section 2.1).
    """
    index = path.with_name(f"{path.name}-shm")
    if not index.exists():
        return b"", 0
    with index.open("rb") as opened:
        found = opened.read(INDEX_HEADER)
    frames = int.from_bytes(found[16:20], sys.byteorder)
    return (found[32:40], HEADER + FRAME * frames) if frames else (b"", 0)


def copied(path: Path, to: Path, cut: tuple[tuple[bytes, int], Random] | None) -> bool:
    """Copy what a kill leaves of a store; after a power ``cut``, data not ``synced`` may be gone or torn.

    Returns whether anything was lost.
    """
    shutil.copyfile(path, to)
    log = log_of(path)
    if not log.exists():
        return False
    found = bytearray(log.read_bytes())
    lost = False
    if cut is not None:
        (salt, end), chance = cut
        begin = end if bytes(found[16:24]) == salt else 0
        _, written = synced(path)
        if begin < written:
            left = chance.randrange(begin, written)
            lost, found = True, found[:left]
            if chance.random() < 0.5 and left - begin > 8:
                found[-8:] = b"\xff" * 8
    log_of(to).write_bytes(found)
    return lost
