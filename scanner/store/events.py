"""The events, each once, and the sinks they must reach."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from scanner.cycles import no_search_for_cycles
from scanner.events import KINDS, Event
from scanner.store.packing import checksum_of
from scanner.store.trouble import DamagedError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping, Sequence

    from scanner.events import Kind
    from scanner.store.bars import BarLog
    from scanner.store.database import Database
    from scanner.store.series import SeriesKey

KEPT = ("id", "kind", "time", "subject", "source", "thread", "data", "series", "sinks", "said")
"""The columns of an event covered by its checksum, in this order."""
EVENT_COLUMNS = ", ".join(f"e.{name}" for name in (*KEPT, "checksum"))
"""The columns for ``event_of``."""


class Said(NamedTuple):
    """An event to be kept, and the sinks it must reach.

    ``series`` is the one whose bar caused it, None for events about a feed or the station itself.
    """

    event: Event
    sinks: Sequence[str] = ()
    series: SeriesKey | None = None


@dataclass(frozen=True, slots=True)
class KeptEvent:
    """An event as kept: ``number`` counts in order, ``said`` is when it was committed."""

    number: int
    event: Event
    said: int


class EventLog:
    """All events, in order."""

    def __init__(self, database: Database, bars: BarLog) -> None:
        self._database = database
        self._bars = bars

    def append(self, connection: sqlite3.Connection, said: Sequence[Said], now: int) -> list[Event]:
        """Write events and their rows of the outbox in a transaction; return those that are new.

        ValueError if the bar of an event is not in the log yet.
        """
        (number,) = connection.execute(
            "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'event'"
        ).fetchone()
        ids = orjson.dumps([each.event.id for each in said]).decode()
        found = connection.execute("SELECT id FROM event WHERE id IN (SELECT value FROM json_each(?))", (ids,))
        known, new = {name for (name,) in found}, list[Event]()
        rows, deliveries = list[tuple[object, ...]](), list[tuple[object, ...]]()
        for each in said:
            event, sinks = each.event, list(dict.fromkeys(each.sinks))
            cause = None if each.series is None else self._cause(each.series, event)
            if event.id in known:
                continue
            known.add(event.id)
            new.append(event)
            kept = (
                event.id,
                event.kind,
                event.time,
                event.subject,
                event.source,
                event.thread,
                orjson.dumps(event.data).decode(),
                cause,
                len(sinks),
                now,
            )
            number += 1
            rows.append((number, *kept, checksum_of(kept)))
            deliveries += [(number, sink, event.thread, now, now) for sink in sinks]
        connection.executemany(
            f"INSERT INTO event (number, {', '.join(KEPT)}, checksum) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 - our words
            rows,
        )
        connection.executemany(
            "INSERT INTO outbox (event, sink, thread, state, next_try, changed, late) "
            "VALUES (?, ?, ?, 'waiting', ?, ?, 0)",
            deliveries,
        )
        return new

    def _cause(self, key: SeriesKey, event: Event) -> int:
        last, number = self._bars.last_close(key), self._bars.number_of(key)
        if number is None or last is None or last < event.time:
            raise ValueError(f"{event.kind} {event.id} is about a bar of {'/'.join(key)} that is not in the store")
        return number

    def find(
        self,
        *,
        after: int = 0,
        kinds: Sequence[Kind] = (),
        series: SeriesKey | None = None,
        since: int | None = None,
        late_by: int | None = None,
        limit: int = -1,
    ) -> list[KeptEvent]:
        """Give events in order, all or some.

        Those numbered after ``after``, of some ``kinds`` (all when empty), of one ``series``, about times from
        ``since`` on, published more than ``late_by`` nanoseconds after these times, and at most ``limit``.
        """
        conditions, values = ["e.number > ?"], list[object]([after])
        if kinds:
            conditions.append(f"e.kind IN ({_marks(kinds)})")
            values += kinds
        if series is not None:  # a condition that is always there, whether or not it applies, would hide the index
            conditions.append("e.series = ?")
            values.append(self._bars.number_of(series))
        if since is not None:
            conditions.append("e.time >= ?")
            values.append(since)
        if late_by is not None:
            conditions.append("e.said - e.time > ?")
            values.append(late_by)
        return self._some(f"{' AND '.join(conditions)} ORDER BY e.number LIMIT ?", [*values, limit])

    def last(self) -> int:
        """Give the number of the last event; 0 without any."""
        with self._database.reading() as connection:
            (number,) = connection.execute("SELECT max(number) FROM event").fetchone()
        return int(number or 0)

    def unfinished(self, until: int) -> list[KeptEvent]:
        """Give all events numbered up to ``until`` of the threads that had not ended by then, as they were said."""
        ends = [kind for kind, facts in KINDS.items() if facts.ends]
        return self._some(
            "e.number <= ? AND e.thread IN (SELECT thread FROM event WHERE number IN "  # noqa: S608 - our words
            "(SELECT max(number) FROM event WHERE thread != '' AND number <= ? GROUP BY thread) "
            f"AND kind NOT IN ({_marks(ends)})) ORDER BY e.number",
            (until, until, *ends),
        )

    def before(self, number: int, kinds: Sequence[Kind], limit: int) -> list[KeptEvent]:
        """Give the last events numbered below ``number`` that are of some kinds, the newest first."""
        which = f"e.number < ? AND e.kind IN ({_marks(kinds)}) ORDER BY e.number DESC LIMIT ?"
        return self._some(which, (number, *kinds, limit))

    def newest_about_each(self, kinds: Sequence[Kind]) -> list[KeptEvent]:
        """Give the last event of some kinds about each feed, or about the station."""
        newest = f"SELECT max(number) FROM event WHERE series IS NULL AND kind IN ({_marks(kinds)}) GROUP BY subject"  # noqa: S608 - our words
        return self._some(f"e.number IN ({newest}) ORDER BY e.number", kinds)

    def story(self, thread: str) -> list[KeptEvent]:
        """Give all events of a setup, in order."""
        return self._some("e.thread = ? ORDER BY e.number", (thread,))

    def threads(self, since: int, until: int) -> list[str]:
        """Name the threads with an event about a time from ``since`` on and before ``until``."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT DISTINCT thread FROM event WHERE thread != '' AND time >= ? AND time < ?", (since, until)
            ).fetchall()
        return [thread for (thread,) in rows]

    def stories(
        self, *, since: int | None = None, until: int | None = None, begins: str = "", instrument: str | None = None
    ) -> list[KeptEvent]:
        """Give all events of some threads, in order.

        Threads with an event about a time from ``since`` to before ``until``, whose id begins with ``begins``, and with
        an event about an ``instrument``; conditions not given do not apply.
        """
        return self._some(
            "e.thread != '' AND e.thread IN (SELECT thread FROM event WHERE thread != '' "
            "AND (:since IS NULL OR time >= :since) AND (:until IS NULL OR time < :until) "
            "AND substr(thread, 1, length(:begins)) = :begins "
            "AND (:instrument IS NULL OR substr(subject, 1, length(:instrument) + 1) = :instrument || '/')"
            ") ORDER BY e.number",
            {"since": since, "until": until, "begins": begins, "instrument": instrument},
        )

    def _some(self, which: str, values: Sequence[object] | Mapping[str, object]) -> list[KeptEvent]:
        """Give the events ``e`` that a condition selects, in its order."""
        with self._database.reading() as connection, no_search_for_cycles():
            rows = connection.execute(f"SELECT e.number, {EVENT_COLUMNS} FROM event e WHERE {which}", values)  # noqa: S608 - our words
            return [KeptEvent(number, event_of(kept), kept[KEPT.index("said")]) for number, *kept in rows]


def _marks(kinds: Sequence[Kind]) -> str:
    return ", ".join("?" * len(kinds))


def event_of(columns: Sequence[Any]) -> Event:
    """Make an event from EVENT_COLUMNS; DamagedError if they are not what was written."""
    *kept, checksum = columns
    name, kind, time, subject, source, thread, data, *_ = kept
    if checksum_of(kept) != checksum:
        raise DamagedError(f"event {name} is not as it was written")
    return Event(kind, name, time, subject, orjson.loads(data), source, thread)
