"""The store: everything a station must remember, in one SQLite file.

A batch is committed whole or not at all, so that an event is in the outbox if and only if the bar that caused it is
in the log.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from scanner.store.bars import BarLog, VisitedBars
from scanner.store.database import Database
from scanner.store.decisions import DecidedMeanwhileError, DecisionRefusedError, Decisions, KeptDecision
from scanner.store.events import EventLog, KeptEvent, Said
from scanner.store.outbox import Delivery, Outbox
from scanner.store.recordings import Recordings, Sent, SentRows
from scanner.store.series import Rewrite, SeriesKey, SeriesUpdate, SeriesUpdates, StoredSeries, StoredTogether
from scanner.store.trouble import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from scanner.events import Event

__all__ = [
    "Batch",
    "DecidedMeanwhileError",
    "DecisionRefusedError",
    "Delivery",
    "KeptDecision",
    "KeptEvent",
    "Rewrite",
    "Said",
    "Sent",
    "SentRows",
    "SeriesKey",
    "SeriesUpdate",
    "SeriesUpdates",
    "Store",
    "StoreTroubleError",
    "StoredSeries",
    "StoredTogether",
]


@dataclass(frozen=True, slots=True)
class Batch:
    """What is committed together: new bars and states, rewritten ends of series, events, and the rows as sent.

    ``together`` and ``sent_together`` are more updates and rows, in columns. ``decided`` is the number of the last
    decision taken into account, None if that does not matter.
    """

    updates: Sequence[SeriesUpdate] = ()
    rewrites: Sequence[Rewrite] = ()
    said: Sequence[Said] = ()
    sent: Sequence[Sent] = ()
    decided: int | None = None
    together: Sequence[SeriesUpdates] = ()
    sent_together: Sequence[SentRows] = ()


class Store:
    """An open store. Threads may share it; every problem with the file is a StoreTroubleError.

    ``bars``, ``events``, ``outbox``, ``decisions`` and ``recordings`` are its parts: all can be read, the outbox also
    marked, and decisions added.
    """

    def __init__(self, database: Database, clock: Callable[[], int]) -> None:
        self.database = database
        self.clock = clock
        self.bars = VisitedBars(database) if database.visiting else BarLog(database)
        self.events = EventLog(database, self.bars)
        self.outbox = Outbox(database, clock)
        self.decisions = Decisions(database, clock)
        self.recordings = Recordings(self.bars)

    @classmethod
    def open(cls, path: Path, clock: Callable[[], int], *, visiting: bool = False, patience: float = 5.0) -> Self:
        """Open a store, or make a new one; ``clock`` gives the time in nanoseconds since 1970 UTC.

        Its owner excludes every other owner. A visitor works beside the owner, to read, to mark the outbox and to add
        decisions; the store must exist. For another program's lock it waits ``patience`` seconds.
        """
        database = Database(path, visiting=visiting, patience=patience)
        try:
            return cls(database, clock)
        except BaseException:
            database.close()
            raise

    def close(self) -> None:
        """Close the store; harmless when repeated."""
        self.database.close()

    def __enter__(self) -> Self:
        """Give the store itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the store."""
        self.close()

    def commit(self, batch: Batch) -> list[Event]:
        """Keep a batch, whole or not at all, and durably; return the events that are new.

        Only those have new rows in the outbox. StoreTroubleError if it cannot be kept; ValueError if it does not fit
        the store: bars out of order, a series twice, an event about a bar that is not in the store.
        DecidedMeanwhileError if it ignores a decision that comes before its bars.
        """
        now = self.clock()
        updates = SeriesUpdates.joined([*batch.together, SeriesUpdates.of(batch.updates)])
        with self.bars.writing() as connection:
            if batch.decided is not None:
                keys = {*updates.keys, *(each.key for each in batch.rewrites)}
                self.decisions.check_heard(connection, batch.decided, keys)
            if batch.rewrites:
                self.bars.rewrite(connection, batch.rewrites, now)
            self.bars.append(connection, updates)
            for rows in batch.sent_together:
                self.recordings.append_rows(connection, rows, now)
            self.recordings.append(connection, batch.sent, now)
            return self.events.append(connection, batch.said, now)
