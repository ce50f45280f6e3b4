"""One process at a time: a lock of the operating system, which ends with the process however that ends."""

from __future__ import annotations

import fcntl
import os
from typing import TYPE_CHECKING, NamedTuple

from scanner.service.store.trouble import StoreInUseError, trouble

if TYPE_CHECKING:
    from pathlib import Path


LONGEST = 256
"""Bytes of what a lock file says that are read."""


class Holder(NamedTuple):
    """Who has a store's lock: the process, "?" where it has not said so, and a word of its own, which may be empty."""

    process: str
    word: str


class StoreLock:
    """Holds the lock file beside a store. The file stays; only the lock on it means something."""

    def __init__(self, path: Path) -> None:
        """Take the lock for the store at ``path``; StoreTroubleError where another process has it."""
        self._path = path
        try:
            self._file = os.open(path.with_name(f"{path.name}.lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as problem:
            raise trouble(path, problem) from problem
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            process = _read(self._file).process
            os.close(self._file)
            who = "another closewatch" if process == "?" else f"another closewatch (process {process})"
            raise StoreInUseError(f"{path}: {who} is using this store; stop it first or name another store") from None
        self.say("")

    def say(self, word: str) -> None:
        """Leave a word for whoever looks who has the lock; StoreTroubleError where it cannot be written."""
        text = f"{os.getpid()}\n{word}\n".encode()
        try:
            os.pwrite(self._file, text, 0)
            os.ftruncate(self._file, len(text))
        except OSError as problem:
            raise trouble(self._path, problem) from problem

    def release(self) -> None:
        """Let go of the lock."""
        os.close(self._file)


def holder(path: Path) -> Holder | None:
    """Say who has the lock of the store at ``path``; None where nobody has it.

    To look, the lock is held for an instant where nobody else has it.
    """
    try:
        file = os.open(path.with_name(f"{path.name}.lock"), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise trouble(path, problem) from problem
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return _read(file)
    else:
        return None
    finally:
        os.close(file)


def _read(file: int) -> Holder:
    process, _, word = os.pread(file, LONGEST, 0).decode("ascii", "replace").partition("\n")
    return Holder(process.strip() or "?", word.strip())
