"""One process at a time: a lock of the operating system, which ends with the process however that ends."""

from __future__ import annotations

import fcntl
import os
from typing import TYPE_CHECKING

from scanner.service.store_trouble import StoreInUseError, trouble

if TYPE_CHECKING:
    from pathlib import Path


class StoreLock:
    """Holds the lock file beside a store. The file stays; only the lock on it means something."""

    def __init__(self, path: Path) -> None:
        """Take the lock for the store at ``path``; StoreTroubleError where another process has it."""
        try:
            self._file = os.open(path.with_name(f"{path.name}.lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as problem:
            raise trouble(path, problem) from problem
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.read(self._file, 32).decode("ascii", "replace").strip()
            os.close(self._file)
            who = f"another closewatch (process {holder})" if holder else "another closewatch"
            raise StoreInUseError(f"{path}: {who} is using this store; stop it first or name another store") from None
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let go of the lock."""
        os.close(self._file)


def holder(path: Path) -> str | None:
    """Say which process has the lock of the store at ``path``, "?" where it has not said so; None where none has it.

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
        return os.read(file, 32).decode("ascii", "replace").strip() or "?"
    else:
        return None
    finally:
        os.close(file)
