"""The SQLite database under a store: opening it, transactions, and trouble put into words."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager, suppress
from threading import RLock
from typing import TYPE_CHECKING
from urllib.parse import quote

from scanner.service.store_lock import StoreLock
from scanner.service.store_schema import check_present, check_version, prepare
from scanner.service.store_trouble import DamagedError, StoreTroubleError, trouble

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PAGE_BYTES = 4_096
CACHE_KIB = 32_768
CHECKPOINT_PAGES = 16_384
"""Pages in the write-ahead log after which SQLite itself moves them to the database, if nobody did before."""

OURS_ALONE = (sqlite3.ProgrammingError, sqlite3.IntegrityError, sqlite3.NotSupportedError, sqlite3.InterfaceError)
"""Errors that only a defect of ours can cause: they keep their traceback."""


class Database:
    """A connection that threads may share; one transaction at a time.

    The owner holds the store's lock and may change everything. A visitor needs no lock, reads a consistent state
    beside the owner and makes only small changes.
    """

    def __init__(self, path: Path, *, visiting: bool, patience: float) -> None:
        """Open the database; ``patience`` is how many seconds to wait for another program's lock."""
        self.path = path
        self.turn = RLock()
        self._durable = True
        self._lock = None if visiting else StoreLock(path)
        try:
            self._connection = self._connect(visiting=visiting, patience=patience)
        except BaseException:
            if self._lock is not None:
                self._lock.release()
            raise

    def _connect(self, *, visiting: bool, patience: float) -> sqlite3.Connection:
        if visiting and not self.path.is_file():
            raise StoreTroubleError(f"{self.path}: there is no store here; name the one that `closewatch watch` fills")
        address = f"file:{quote(str(self.path))}?mode={'rw' if visiting else 'rwc'}"
        with self._explained():
            connection = sqlite3.connect(
                address, uri=True, timeout=patience, isolation_level=None, check_same_thread=False
            )
            try:
                if visiting:
                    check_present(connection, self.path)
                else:
                    check_version(connection, self.path)
                    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
                    connection.execute("PRAGMA journal_mode = WAL")
                    prepare(connection)
                for setting, value in (
                    ("synchronous", "FULL"),
                    ("foreign_keys", "ON"),
                    ("cache_size", -CACHE_KIB),
                    ("wal_autocheckpoint", CHECKPOINT_PAGES),
                ):
                    connection.execute(f"PRAGMA {setting} = {value}")
            except BaseException:
                connection.close()
                raise
            return connection

    def close(self) -> None:
        """Close the connection and let go of the lock; harmless when repeated."""
        with self.turn:
            self._connection.close()
            if self._lock is not None:
                self._lock.release()
                self._lock = None

    @contextmanager
    def writing(self, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """Give the connection in a transaction that is kept whole at the end, or not at all.

        Either kind survives the death of the process. A ``durable`` one also survives a power cut; another may be
        taken back by one, which is enough for what would only be done again.
        """
        with self.turn, self._explained():
            if durable != self._durable:
                self._connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
                self._durable = durable
            yield from self._transaction("BEGIN IMMEDIATE")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Give the connection in a transaction that sees one state of the store throughout."""
        with self.turn, self._explained():
            yield from self._transaction("BEGIN")

    @contextmanager
    def plain(self) -> Iterator[sqlite3.Connection]:
        """Give the connection for what cannot be done inside a transaction."""
        with self.turn, self._explained():
            yield self._connection

    def _transaction(self, begin: str) -> Iterator[sqlite3.Connection]:
        self._connection.execute(begin)
        try:
            yield self._connection
            self._connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):  # what went wrong first is what matters
                self._connection.execute("ROLLBACK")
            raise

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except OURS_ALONE:
            raise
        except (sqlite3.Error, DamagedError) as problem:
            raise trouble(self.path, problem) from problem
        except UnicodeDecodeError as problem:
            raise trouble(self.path, DamagedError("a text cannot be read")) from problem
