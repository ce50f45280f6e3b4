"""One process at a time: a lock of the operating system, which ends with the process however that ends."""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from scanner.service.store.trouble import StoreInUseError, trouble

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


LONGEST = 256
"""Bytes of what a lock file says that are read."""


class Holder(NamedTuple):
    """Who has a store's lock: the process, "?" where it has not said so, and a word of its own, which may be empty."""

    process: str
    word: str


class StoreLock:
    """Holds the lock file beside a store, and the store itself, from which nobody can take a lock away by removing it.

    The lock file stays; only the lock on it means something.
    """

    def __init__(self, path: Path, *, make: bool = False) -> None:
        """Take the locks for the store at ``path``; StoreTroubleError where another process has one of them.

        ``make`` makes the store's file where there is none, for its owner's eyes only.
        """
        self._path = path
        self._store: int | None = None
        self._file = _opened(path.with_name(f"{path.name}.lock"), path, os.O_RDWR | os.O_CREAT)
        try:
            self._hold(self._file)
            if make or path.exists():
                # SQLite loses its own locks on a file when anybody in the process closes that file: so this one is
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
        """Leave a word for whoever looks who has the lock; StoreTroubleError where it cannot be written."""
        text = f"{os.getpid()}\n{word}\n".encode()
        try:
            os.pwrite(self._file, text, 0)
            os.ftruncate(self._file, len(text))
        except OSError as problem:
            raise trouble(self._path, problem) from problem

    def release(self) -> None:
        """Let go of the locks; whatever else has the store open must have closed it by now."""
        os.close(self._file)
        if self._store is not None:
            os.close(self._store)


@contextmanager
def not_running(path: Path) -> Iterator[None]:
    """Hold the lock of a store, where there is one, so that no station runs by it meanwhile.

    StoreTroubleError where one does: two stations would get in each other's way, as a broker lets nobody in twice by
    the same name.
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
    """Say who has the lock of the store at ``path``; None where nobody has it.

    To look, the lock is held for an instant where nobody else has it.
    """
    beside = path.with_name(f"{path.name}.lock")
    if (word := _word_of_holder(beside, path)) is not None:
        return word
    # Somebody may have removed the lock file of a process that goes on.
    return None if _word_of_holder(path, path) is None else Holder("?", "")


def _word_of_holder(file: Path, store: Path) -> Holder | None:
    """Read what stands in a file that a process holds; None where nobody does, or there is no such file."""
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
