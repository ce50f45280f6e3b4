"""Keeping a store in order: upkeep in short steps, retention, compaction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.clocks import DAY
from scanner.events import KINDS
from scanner.store.bars import LONG_AGO
from scanner.store.recordings import Recordings

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator

    from scanner.events import KindFacts
    from scanner.store import Store

STEP = 128
"""Rows removed in one transaction, or series checked."""


def _kinds(which: Callable[[KindFacts], bool]) -> str:
    return ", ".join(f"'{kind}'" for kind, facts in KINDS.items() if which(facts))


EXPIRED = f"""
SELECT e.number FROM event e WHERE e.number > :after AND e.said < :oldest
AND NOT EXISTS (
    SELECT 1 FROM outbox o
    WHERE o.state = 'waiting' AND (o.event = e.number OR (o.thread = e.thread AND o.thread != ''))
)
AND NOT EXISTS (SELECT 1 FROM decision d WHERE d.thread = e.thread)
AND NOT EXISTS (
    SELECT 1 FROM event last WHERE last.number = (SELECT max(number) FROM event WHERE thread = e.thread)
    AND e.thread != '' AND (
        last.said >= :oldest
        OR last.kind IN ({_kinds(lambda facts: facts.follows and not facts.ends)})
        OR last.kind IN ({_kinds(lambda facts: facts.begins)})
        AND json_extract(last.data, '$.entries.' || json_extract(last.data, '$.entry_style') || '.risk') IS NOT NULL
    )
)
AND NOT (e.kind = 'series.held' AND e.number = (
    SELECT max(number) FROM event WHERE series = e.series AND kind IN ('series.held', 'series.resumed')
))
ORDER BY e.number LIMIT :step
"""  # noqa: S608 - our words
"""The events to remove. A setup without a planned entry has no later events, so its story has no end to wait for."""


@dataclass(frozen=True, slots=True)
class Compacted:
    """The result of a compaction: what was removed, and the size of the file before and after."""

    bars: int
    events: int
    recorded_rows: int
    bytes_before: int
    bytes_after: int

    def __str__(self) -> str:
        """Describe it in one sentence."""
        return (
            f"removed {self.bars:,} bars, {self.events:,} events and {self.recorded_rows:,} recorded rows that were "
            f"too old; the file has {self.bytes_after / 1e6:,.1f} MB now and had {self.bytes_before / 1e6:,.1f} MB"
        )


def tidy(store: Store) -> bool:
    """Do one short step of upkeep, if one is due; return whether to call again soon.

    Call it between bar closes. A step takes some hundredths of a second; without them the store only gets slower to
    open.
    """
    bucket = store.bars.longest_tail()
    with store.bars.writing() as connection:
        if bucket is not None:
            store.bars.fold(connection, bucket)
            return True
        if Recordings.merge(connection):
            return True
    with store.database.plain() as connection:
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    return False


def last_played(store: Store) -> int:
    """Give the close of the last bar in a store, which is how far a recording was played; 0 if there is none."""
    with store.database.reading() as connection:
        (found,) = connection.execute("SELECT max(last_close) FROM series").fetchone()
    return 0 if found is None else int(found)


def retain(store: Store, *, keep_bars: int, keep_days: int, now: int | None = None) -> tuple[int, int, int]:
    """Remove what is too old to keep, in short steps; return the number of bars, events and recorded rows removed.

    At least the last ``keep_bars`` bars of each series stay; bars are removed in whole pages. Events, recorded rows and
    the old versions of restated bars stay for ``keep_days`` before ``now`` (the store's clock by default). The story of
    a setup stays whole for as long after its end, and as long as one of its deliveries waits; the event that put a
    series on hold stays until the hold is over. Decisions stay for good, and so do the events of setups with one.
    """
    oldest = (store.clock() if now is None else now) - keep_days * DAY
    bars = sum(_in_steps(store, lambda connection, after: _remove_bars(connection, keep_bars, after)))
    events = sum(_in_steps(store, lambda connection, after: _remove_events(connection, oldest, after)))
    rows = sum(_in_steps(store, lambda connection, _: _remove_recorded(connection, oldest)))
    with store.database.writing() as connection:
        connection.execute("DELETE FROM restated WHERE noticed < ?", (oldest,))
    return bars, events, rows


def _in_steps(store: Store, step: Callable[[sqlite3.Connection, int], tuple[int, int | None]]) -> Iterator[int]:
    """Repeat a step, each time in its own transaction, so that a batch can be committed in between.

    A step begins where the previous one stopped, and returns how much it removed and where it stopped, None at the end.
    """
    at: int | None = 0
    while at is not None:
        with store.database.writing() as connection:
            removed, at = step(connection, at)
        yield removed


def compact(store: Store, *, keep_bars: int, keep_days: int, played: bool = False) -> Compacted:
    """Put everything in order, remove what is too old to keep and free the disk space.

    If a recording was ``played`` into the store, days are counted back from its last bar.

    The file is rewritten: for a while the disk must hold it twice. No other program may use the store meanwhile.
    """
    before = _size(store)
    while (bucket := store.bars.longest_tail(due=False)) is not None:
        with store.bars.writing() as connection:
            store.bars.fold(connection, bucket)
    now = last_played(store) if played else None
    removed = retain(store, keep_bars=keep_bars, keep_days=keep_days, now=now)
    merged = True
    while merged:
        with store.bars.writing() as connection:
            merged = bool(Recordings.merge(connection, all_of_them=True))
    with store.database.plain() as connection:
        connection.execute("VACUUM")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return Compacted(*removed, before, _size(store))


def _size(store: Store) -> int:
    path = store.database.path
    log = path.with_name(f"{path.name}-wal")
    return path.stat().st_size + (log.stat().st_size if log.exists() else 0)


def _remove_bars(connection: sqlite3.Connection, keep: int, after: int) -> tuple[int, int | None]:
    removed = 0
    long = connection.execute(
        "SELECT id, bars FROM series WHERE bars > ? AND id > ? ORDER BY id LIMIT ?", (keep, after, STEP)
    ).fetchall()
    for series, count in long:
        spare, gone, last = count - keep, 0, LONG_AGO
        for number, bars, last_close in connection.execute(
            "SELECT number, bars, last_close FROM page WHERE series = ? ORDER BY number", (series,)
        ).fetchall():
            if gone + bars > spare:
                break
            connection.execute("DELETE FROM page WHERE series = ? AND number = ?", (series, number))
            gone, last = gone + bars, last_close
        if gone:
            connection.execute("UPDATE series SET bars = bars - ?, pruned_to = ? WHERE id = ?", (gone, last, series))
        removed += gone
    return removed, long[-1][0] if long else None


def _remove_events(connection: sqlite3.Connection, oldest: int, after: int) -> tuple[int, int | None]:
    numbers = connection.execute(EXPIRED, {"oldest": oldest, "after": after, "step": STEP}).fetchall()
    connection.executemany("DELETE FROM outbox WHERE event = ?", numbers)
    connection.executemany("DELETE FROM event WHERE number = ?", numbers)
    return len(numbers), numbers[-1][0] if numbers else None


def _remove_recorded(connection: sqlite3.Connection, oldest: int) -> tuple[int, int | None]:
    found = connection.execute(
        "SELECT number, rows FROM recording WHERE arrived < ? LIMIT ?", (oldest, STEP)
    ).fetchall()
    connection.executemany("DELETE FROM recording WHERE number = ?", [(number,) for number, _ in found])
    return sum(rows for _, rows in found), 0 if found else None
