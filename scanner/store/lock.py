"""One process at a time: a lock of the operating system, which ends with the process, however that ends."""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from scanner.store.trouble import StoreInUseError, trouble

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


LONGEST = 256
"""Most bytes that are read of a lock file."""


class Holder(NamedTuple):
    """Who has a store's lock: the process, "?" if unknown, and a word it left, which may be empty."""

    process: str
    word: str


class StoreLock:
    """Locks the lock file beside a store, and the store itself, whose lock cannot be taken away by removing a file.

    The lock file stays; only the lock on it matters.
    """

    def __init__(self, path: Path, *, make: bool = False) -> None:
        """Take the locks for the store at ``path``; StoreTroubleError if another process has one of them.

        ``make`` creates the store's file if there is none, readable by its owner only.
        """
        self._path = path
        self._store: int | None = None
        self._file = _opened(path.with_name(f"{path.name}.lock"), path, os.O_RDWR | os.O_CREAT)
        try:
            self._hold(self._file)
            if make or path.exists():
                # SQLite loses its own locks on a file when anything in the process closes that file: so this one is
                # opened before SQLite opens it, and closed after.
                self._store = _opened(path, path, os.O_RDONLY | (0 if path.exists() else os.O_CREAT))
                self._hold(self._store)
            self.say("")
        except BaseException:
            self.release()
            raise

    def _hold(self, file: int) -> None:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            process = _read(self._file).process
            who = "another closewatch" if process == "?" else f"another closewatch (process {process})"
            raise StoreInUseError(
                f"{self._path}: {who} is using this store; stop it first or name another store"
            ) from None

    def say(self, word: str) -> None:
        """Leave a word for programs that look up who has the lock; StoreTroubleError if it cannot be written."""
        text = f"{os.getpid()}\n{word}\n".encode()
        try:
            os.pwrite(self._file, text, 0)
            os.ftruncate(self._file, len(text))
        except OSError as problem:
            raise trouble(self._path, problem) from problem

    def release(self) -> None:
        """Release the locks; everything else that had the store open must have closed it by now."""
        os.close(self._file)
        if self._store is not None:
            os.close(self._store)


@contextmanager
def not_running(path: Path) -> Iterator[None]:
    """Hold the lock of a store, if it exists, so that no station uses it meanwhile.

    StoreTroubleError if one does: two stations would conflict, since a broker allows one client per name.
    """
    lock = StoreLock(path) if path.exists() or path.with_name(f"{path.name}.lock").exists() else None
    try:
        yield
    finally:
        if lock is not None:
            lock.release()


def _opened(file: Path, store: Path, flags: int) -> int:
    try:
        return os.open(file, flags | os.O_CLOEXEC, 0o600)
    except OSError as problem:
        raise trouble(store, problem) from problem


def holder(path: Path) -> Holder | None:
    """Say who has the lock of the store at ``path``; None if no process has it.

    If it is free, the lock is held for an instant to find out.
    """
    beside = path.with_name(f"{path.name}.lock")
    if (word := _holder_text(beside, path)) is not None:
        return word
    # The lock file of a running process may have been removed.
    return None if _holder_text(path, path) is None else Holder("?", "")


def _holder_text(file: Path, store: Path) -> Holder | None:
    """Read a file that a process has locked; None if none has, or there is no such file."""
    try:
        opened = os.open(file, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise trouble(store, problem) from problem
    try:
        fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return _read(opened)
    else:
        return None
    finally:
        os.close(opened)


def _read(file: int) -> Holder:
    process, _, word = os.pread(file, LONGEST, 0).decode("ascii", "replace").partition("\n")
    return Holder(process.strip() or "?", word.strip())
