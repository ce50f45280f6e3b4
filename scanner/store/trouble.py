"""What can go wrong with a store, each in one sentence."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

PRIMARY_CODE = 0xFF
"""The lower byte of SQLite's result codes is the kind of error, the rest its details."""

NO_ANSWER = "the store has not answered for a long time; check whether its disk is failing"

NOTHING_KEPT = "nothing of the last change was kept"

SENTENCES = {
    sqlite3.SQLITE_FULL: f"the disk is full, {NOTHING_KEPT}; free some space",
    sqlite3.SQLITE_IOERR: f"the disk would not read or write ({{detail}}), {NOTHING_KEPT}; "
    "check whether it is full or failing",
    **dict.fromkeys(
        (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED),
        f"another program keeps the file locked, {NOTHING_KEPT}; close whatever else has opened it and try again",
    ),
    sqlite3.SQLITE_CORRUPT: "the file is damaged ({detail}); put a copy of it in its place, "
    "or move it away and let the feeds fill a new one",
    sqlite3.SQLITE_NOTADB: "this is not a closewatch store, or its beginning is damaged; "
    "put a copy of the store in its place or give another path",
    **dict.fromkeys(
        (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM),
        "the file or its folder is read-only; allow writing there or give another path",
    ),
    sqlite3.SQLITE_CANTOPEN: "the file cannot be opened or made; check that its folder exists and is writable",
}


class StoreTroubleError(Exception):
    """The store cannot do something; the message is one sentence: which file, what is wrong and what to do.

    The store is unchanged: a batch is kept whole or not at all.
    """

    exit_code = 1


class StoreInUseError(StoreTroubleError):
    """Another process has the store; only the user can change that."""

    exit_code = 2


class StoreReadOnlyError(StoreTroubleError):
    """The place of the file is not writable."""


class StoreUnusableError(StoreTroubleError):
    """The file belongs to another program or an unknown version, which no retry will change."""

    exit_code = 2


class StoreDamagedError(StoreUnusableError):
    """The file is damaged."""


KINDS = {
    sqlite3.SQLITE_CORRUPT: StoreDamagedError,
    sqlite3.SQLITE_NOTADB: StoreDamagedError,
    sqlite3.SQLITE_READONLY: StoreReadOnlyError,
    sqlite3.SQLITE_PERM: StoreReadOnlyError,
}


class DamagedError(Exception):
    """Stored bytes differ from those written; the message says which."""


def trouble(path: Path, problem: sqlite3.Error | DamagedError | OSError) -> StoreTroubleError:
    """Turn an error of SQLite, the packing or the system into one sentence about the file at ``path``."""
    if isinstance(problem, DamagedError):
        return StoreDamagedError(f"{path}: {SENTENCES[sqlite3.SQLITE_CORRUPT].format(detail=problem)}")
    if isinstance(problem, OSError):
        return StoreTroubleError(f"{path}: {problem.strerror or problem}; check that its folder exists and is writable")
    code = getattr(problem, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & PRIMARY_CODE
    sentence = SENTENCES.get(code, "SQLite cannot do what was asked ({detail})")
    return KINDS.get(code, StoreTroubleError)(f"{path}: {sentence.format(detail=problem)}")
