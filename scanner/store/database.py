"""The SQLite database under a store: opening it, transactions, and errors in words."""

from __future__ import annotations

import os
import sqlite3
from contextlib import contextmanager, suppress
from threading import RLock
from typing import TYPE_CHECKING
from urllib.parse import quote

from scanner.store.lock import StoreLock
from scanner.store.schema import check_present, check_version, prepare
from scanner.store.trouble import PRIMARY_CODE, DamagedError, StoreReadOnlyError, StoreTroubleError, trouble

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

PAGE_BYTES = 4_096
CACHE_KIB = 8_192
THREAD_PATIENCE = 4
"""How many times longer a thread waits for another thread's transaction than for another program's: on a working disk,
none takes that long."""
CHECKPOINT_PAGES = 16_384
"""Pages in the write-ahead log after which SQLite moves them to the database, if upkeep did not before."""

DEFECTS = (sqlite3.ProgrammingError, sqlite3.IntegrityError, sqlite3.NotSupportedError, sqlite3.InterfaceError)
"""Errors that only a defect can cause: they keep their traceback."""

WRITES_MISSED = {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY}
"""Errors caused by a file or folder that may not be written to."""


class Database:
    """A connection that threads may share; one transaction at a time.

    The owner holds the store's lock and may change everything. A visitor needs no lock, reads a consistent state beside
    the owner and makes only small changes; without write permission, it only reads.
    """

    def __init__(self, path: Path, *, visiting: bool, patience: float) -> None:
        """Open the database; ``patience`` is how many seconds to wait for another program's lock."""
        self.path = path
        self._lock_of_threads = RLock()
        self._turn_seconds = THREAD_PATIENCE * patience
        self._durable = True
        self._lock = None if visiting else StoreLock(path, make=True)
        try:
            self._connection = self._connect(visiting=visiting, patience=patience)
            self._files = {} if visiting else {file: identity(file) for file in self._own_files()}
        except BaseException:
            if self._lock is not None:
                self._lock.release()
            raise

    @property
    def visiting(self) -> bool:
        """Whether this is a visitor's."""
        return self._lock is None

    def _connect(self, *, visiting: bool, patience: float) -> sqlite3.Connection:
        if not visiting:
            return self._opened("mode=rwc", patience, check_version)
        if not self.path.is_file():
            raise StoreTroubleError(f"{self.path}: there is no store here; give the one that `closewatch watch` fills")
        if not os.access(self.path, os.R_OK):
            raise StoreTroubleError(f"{self.path}: the file may not be read by this user; allow it")
        try:
            return self._opened("mode=rw", patience, check_present)
        except StoreTroubleError as problem:
            if not _only_readable(problem.__cause__):
                raise
        # SQLite could not make its files beside this one. It does not need them if its log is empty.
        log = self.path.with_name(f"{self.path.name}-wal")
        if log.is_file() and log.stat().st_size:
            raise StoreReadOnlyError(
                f"{self.path}: nothing may be written here, but the last changes, in {log.name}, must be merged before "
                "it can be read; copy both files to a writable folder, and give the copy"
            )
        return self._opened("mode=ro&immutable=1", patience, check_present)

    def _opened(
        self, mode: str, patience: float, check: Callable[[sqlite3.Connection, Path], None]
    ) -> sqlite3.Connection:
        with self._explained():
            connection = sqlite3.connect(
                f"file:{quote(str(self.path))}?{mode}",
                uri=True,
                timeout=patience,
                isolation_level=None,
                check_same_thread=False,
            )
            try:
                check(connection, self.path)
                if self._lock is not None:
                    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
                    connection.execute("PRAGMA journal_mode = WAL")
                    prepare(connection)
                    connection.execute("BEGIN")
                    connection.execute("PRAGMA application_id = 0")  # fails if the file may only be read
                    connection.execute("ROLLBACK")
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

    def _own_files(self) -> list[Path]:
        """List the file and those that SQLite keeps beside it while it is open."""
        return [self.path, *(self.path.with_name(f"{self.path.name}-{part}") for part in ("wal", "shm"))]

    def check_in_place(self) -> None:
        """Raise StoreTroubleError if its owner writes to files that no longer exist, so that all would be lost.

        A file that is removed or replaced while it is open lives on, unseen, until it is closed.
        """
        for file, opened in self._files.items():
            if identity(file) != opened:
                raise StoreTroubleError(
                    f"{self.path}: {file.name} was removed or replaced while the store was open, and anything written "
                    "now would be lost; put the store back, or restart to make another"
                )

    def version(self) -> int:
        """Give a number that changes as soon as another connection has changed the store."""
        with self.plain() as connection:
            (number,) = connection.execute("PRAGMA data_version").fetchone()
        return int(number)

    def spare_memory(self, kibibytes: int) -> None:
        """Limit how much of the file is kept in memory."""
        with self.plain() as connection:
            connection.execute(f"PRAGMA cache_size = {-kibibytes}")

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Let one thread at a time use the connection; StoreTroubleError if the one before does not end."""
        if not self._lock_of_threads.acquire(timeout=self._turn_seconds):
            raise StoreTroubleError(
                f"{self.path}: the store has not answered for {self._turn_seconds:g} s; check whether its disk is "
                "failing"
            )
        try:
            yield
        finally:
            self._lock_of_threads.release()

    def close(self) -> None:
        """Close the connection and release the lock; harmless when repeated."""
        with self.turn():
            self._connection.close()
            if self._lock is not None:
                self._lock.release()
                self._lock = None

    def say(self, word: str) -> None:
        """Leave a word beside the store for programs that look up its owner; only the owner may."""
        if self._lock is not None:
            self._lock.say(word)

    @contextmanager
    def writing(self, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """Give the connection in a transaction that is kept whole at the end, or not at all.

        Both kinds survive the death of the process. A ``durable`` one also survives a power cut; the other may be lost
        in one, which is enough for work that would simply be repeated.
        """
        with self.turn(), self._explained():
            self.check_in_place()
            if durable != self._durable:
                self._connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
                self._durable = durable
            yield from self._transaction("BEGIN IMMEDIATE")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Give the connection in a transaction that sees one state of the store throughout."""
        with self.turn(), self._explained():
            yield from self._transaction("BEGIN")

    @contextmanager
    def plain(self) -> Iterator[sqlite3.Connection]:
        """Give the connection for operations that cannot run inside a transaction."""
        with self.turn(), self._explained():
            yield self._connection

    def _transaction(self, begin: str) -> Iterator[sqlite3.Connection]:
        self._connection.execute(begin)
        try:
            yield self._connection
            self._connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):  # the first error matters most
                self._connection.execute("ROLLBACK")
            raise

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except DEFECTS:
            raise
        except (sqlite3.Error, DamagedError) as problem:
            raise trouble(self.path, problem) from problem
        except UnicodeDecodeError as problem:
            raise trouble(self.path, DamagedError("a text cannot be read")) from problem


def identity(file: Path) -> tuple[int, int] | None:
    """Give the identity of a file, whatever its name; None if it cannot be read."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _only_readable(problem: BaseException | None) -> bool:
    return getattr(problem, "sqlite_errorcode", 0) & PRIMARY_CODE in WRITES_MISSED
