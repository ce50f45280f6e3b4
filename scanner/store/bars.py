"""The log of bars, and for each series the state of its engine.

Bars arrive across series: one bar of each of ten thousand series in the same second. They are read along one: five
hundred bars of one series. So they are first written as they come, into a tail, a few hundred series to a bucket; later
each bucket's tail is folded into pages, one series to a page. Both use few and large rows, which SQLite moves quickly.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np

from scanner.store.packing import PackedRows, Runs, bars_of, pack, seal, table_of, unpack, unseal
from scanner.store.pages import PAGE_BARS, keep_restated, latest, page_table, write_pages
from scanner.store.series import SeriesKey, StoredSeries, StoredTogether
from scanner.store.trouble import DamagedError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from scanner.market.bars import Bars
    from scanner.store.database import Database
    from scanner.store.packing import Table
    from scanner.store.series import Rewrite, SeriesUpdates

BUCKET = 128
"""Series that share a tail."""
FOLD_CHUNKS = 256
FOLD_BARS = 64 * BUCKET
"""Chunks or bars from which a bucket's tail is due for folding."""
LONG_AGO = np.iinfo(np.int64).min + 1


class BarLog:
    """The bars of all series, for the owner, who alone writes and so knows which series there are."""

    def __init__(self, database: Database) -> None:
        self._database = database
        # In memory: which series there are, their last closes, and how long the tails are.
        with self._database.reading() as connection:
            found = connection.execute("SELECT id, instrument, timeframe, last_close FROM series").fetchall()
            tails = connection.execute(
                "SELECT bucket, count(*), sum(bars), max(number) FROM tail GROUP BY bucket"
            ).fetchall()
        self._numbers = {SeriesKey(instrument, timeframe): number for number, instrument, timeframe, _ in found}
        self._last = {number: last for number, _, _, last in found}
        self._tails = {bucket: (chunks, bars) for bucket, chunks, bars, _ in tails}
        self._next_chunk = max((number for *_, number in tails), default=0) + 1

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Give the connection in a durable transaction; a rollback also restores the memory."""
        with self._database.turn():
            before = self._numbers.copy(), self._last.copy(), self._tails.copy(), self._next_chunk
            try:
                with self._database.writing() as connection:
                    yield connection
            except BaseException:
                self._numbers, self._last, self._tails, self._next_chunk = before
                raise

    @property
    def keys(self) -> list[SeriesKey]:
        """List every series."""
        return list(self._numbers)

    def number_of(self, key: SeriesKey) -> int | None:
        """Give the number of a series in the tables; None if there is no such series."""
        return self._numbers.get(key)

    def last_close(self, key: SeriesKey) -> int | None:
        """Give the close time of the last bar of a series; None if there is none."""
        last = self._last.get(self._numbers.get(key, -1), LONG_AGO)
        return None if last == LONG_AGO else last

    def append(self, connection: sqlite3.Connection, updates: SeriesUpdates) -> None:
        """Write new bars and states in a transaction of ``writing``.

        ValueError if bars are not in order, not later than those before, or a series appears twice.
        """
        keys, counts = updates.keys, updates.counts
        if not keys:
            return
        if len(set(keys)) < len(keys):
            raise ValueError("a series appears twice in one batch")
        numbers = self.numbered(connection, keys)
        table = table_of([updates.bars])
        last = self._checked_order(numbers, counts, table[1], keys)
        self._add_to_tails(connection, numbers, counts, table)
        connection.executemany(
            "UPDATE series SET last_close = ?, bars = bars + ?, state = ? WHERE id = ?",
            [
                (close, count, seal(state), number)
                for close, count, state, number in zip(
                    last, counts.tolist(), updates.states, numbers.tolist(), strict=True
                )
            ],
        )
        _keep_checkpoints(connection, {int(numbers[place]): kept for place, kept in updates.checkpoints.items()})
        self._last.update(zip(numbers.tolist(), last, strict=True))

    def numbered(self, connection: sqlite3.Connection, keys: Sequence[SeriesKey]) -> Table:
        """Give the numbers of series, and new ones to new series, in a transaction of ``writing``."""
        new = [key for key in dict.fromkeys(keys) if key not in self._numbers]
        if new:
            first = len(self._numbers) + 1  # series are never removed
            connection.executemany(
                "INSERT INTO series VALUES (?, ?, ?, ?, 0, ?, ?)",
                [(number, *key, LONG_AGO, LONG_AGO, seal(b"")) for number, key in enumerate(new, first)],
            )
            self._numbers.update({key: number for number, key in enumerate(new, first)})
        return np.array([self._numbers[key] for key in keys], dtype=np.int64)

    def _checked_order(self, numbers: Table, counts: Table, closes: Table, keys: Sequence[SeriesKey]) -> list[int]:
        """Check that bars follow each other, and give the last close of each series after them."""
        before = np.array([self._last.get(number, LONG_AGO) for number in numbers.tolist()], dtype=np.int64)
        ends = np.cumsum(counts)
        filled = np.flatnonzero(counts)
        follows = np.ones(len(closes), dtype=np.bool_)
        follows[1:] = closes[1:] > closes[:-1]
        firsts = (ends - counts)[filled]
        follows[firsts] = closes[firsts] > before[filled]
        if not follows.all():
            at = int(np.searchsorted(ends, np.flatnonzero(~follows)[0], side="right"))
            raise ValueError(f"{'/'.join(keys[at])}: bars are not in order or not later than those before")
        before[filled] = closes[ends[filled] - 1]
        last: list[int] = before.tolist()
        return last

    def _add_to_tails(self, connection: sqlite3.Connection, numbers: Table, counts: Table, table: Table) -> None:
        bucket = numbers // BUCKET
        bucket_of_row = np.repeat(bucket, counts)
        for one in np.unique(bucket_of_row).tolist():
            runs, rows = (bucket == one) & (counts > 0), bucket_of_row == one
            part = PackedRows(numbers[runs], counts[runs], table[:, rows])
            bars = part.table.shape[1]
            connection.execute("INSERT INTO tail VALUES (?, ?, ?, ?)", (one, self._next_chunk, bars, pack(part)))
            chunks, before = self._tails.get(one, (0, 0))
            self._tails[one] = chunks + 1, before + bars
            self._next_chunk += 1

    def load(self, keys: Iterable[SeriesKey], last_bars: int | None = None) -> Iterator[StoredSeries]:
        """Give those of the series that exist, with their last bars, or all of them. The order is the store's own.

        A few hundred series are in memory at a time. StoreTroubleError if stored data is damaged.
        """
        for found in self._loaded(keys, last_bars):
            each = zip(found.keys, found.begins.tolist(), found.ends.tolist(), strict=True)
            bars = [found.bars[begin:end] for _, begin, end in each]
            yield from map(StoredSeries, found.keys, bars)

    def load_together(self, keys: Iterable[SeriesKey], last_bars: int | None = None) -> StoredTogether:
        """Give the same in columns, all of it in memory."""
        return StoredTogether.joined(list(self._loaded(keys, last_bars)))

    def _loaded(self, keys: Iterable[SeriesKey], last_bars: int | None) -> Iterator[StoredTogether]:
        for bucket, wanted in self._by_bucket(keys):
            with self._database.reading() as connection:
                found = _read_bucket(connection, bucket, wanted, last_bars)
            yield found

    def _by_bucket(self, keys: Iterable[SeriesKey]) -> list[tuple[int, dict[int, SeriesKey]]]:
        """Give those of the series that exist, by bucket and number."""
        buckets: dict[int, dict[int, SeriesKey]] = {}
        for key in keys:
            number = self.number_of(key)
            if number is not None:
                buckets.setdefault(number // BUCKET, {})[number] = key
        return sorted(buckets.items())

    def remembered(self, keys: Iterable[SeriesKey]) -> dict[SeriesKey, tuple[bytes, bytes]]:
        """Give what the engines of those of the series that exist remember: the state, and the last checkpoint.

        Either is empty if none was kept. StoreTroubleError if stored data is damaged.
        """
        kept = {}
        for _, wanted in self._by_bucket(keys):
            with self._database.reading() as connection:
                for number, state, checkpoint in connection.execute(
                    "SELECT id, state, data FROM series LEFT JOIN checkpoint ON series = id WHERE id BETWEEN ? AND ?",
                    (min(wanted), max(wanted)),
                ):
                    if number in wanted:
                        name = "/".join(wanted[number])
                        kept[wanted[number]] = (
                            unseal(state, f"the state of {name}"),
                            b"" if checkpoint is None else unseal(checkpoint, f"the checkpoint of {name}"),
                        )
        return kept

    def states(self) -> Iterator[tuple[SeriesKey, int | None, bytes]]:
        """Give every series as the store has it now: the close of its last bar, None without one, and its state.

        StoreTroubleError if stored data is damaged.
        """
        with self._database.reading() as connection:
            for instrument, timeframe, last_close, state in connection.execute(
                "SELECT instrument, timeframe, last_close, state FROM series ORDER BY id"
            ):
                last = None if last_close == LONG_AGO else last_close
                yield SeriesKey(instrument, timeframe), last, unseal(state, f"the state of {instrument}/{timeframe}")

    def longest_tail(self, *, due: bool = True) -> int | None:
        """Give the bucket with the most in its tail: among those due for folding, or among all."""
        at_least = (FOLD_CHUNKS, FOLD_BARS) if due else (1, 1)
        long = [
            (bars, bucket)
            for bucket, (chunks, bars) in self._tails.items()
            if chunks >= at_least[0] or bars >= at_least[1]
        ]
        return max(long)[1] if long else None

    def fold(self, connection: sqlite3.Connection, bucket: int) -> None:
        """Move the tail of a bucket into pages; in a transaction of ``writing``."""
        for number, table in _tail(connection, bucket).by_series().items():
            last = connection.execute(
                "SELECT number, bars, data FROM page WHERE series = ? ORDER BY number DESC LIMIT 1", (number,)
            ).fetchone()
            page, begun = 0, table
            if last is not None and last[1] < PAGE_BARS:
                page, begun = last[0], np.concatenate([page_table(number, last[0], last[2]), table], axis=1)
            elif last is not None:
                page = last[0] + 1
            write_pages(connection, number, page, begun)
        connection.execute("DELETE FROM tail WHERE bucket = ?", (bucket,))
        self._tails.pop(bucket, None)

    def rewrite(self, connection: sqlite3.Connection, rewrites: Sequence[Rewrite], noticed: int) -> None:
        """Replace the end of series, and keep the changed or missing bars as restated; errors as for ``append``."""
        numbers = self.numbered(connection, [each.key for each in rewrites])
        for number, rewrite in zip(numbers.tolist(), rewrites, strict=True):
            closes = rewrite.bars.close_time
            if len(closes) and (closes[0] < rewrite.since or (np.diff(closes) <= 0).any()):
                raise ValueError(f"{'/'.join(rewrite.key)}: bars are not in order or earlier than the rewrite")
            if number // BUCKET in self._tails:
                self.fold(connection, number // BUCKET)
            pages = connection.execute(
                "SELECT number, data FROM page WHERE series = ? AND last_close >= ? ORDER BY number",
                (number, rewrite.since),
            ).fetchall()
            stored = np.concatenate([table_of([]), *(page_table(number, page, data) for page, data in pages)], axis=1)
            kept = int(np.searchsorted(stored[1], rewrite.since))
            old, new = stored[:, kept:], table_of([rewrite.bars])
            keep_restated(connection, number, old, new, noticed)
            connection.execute("DELETE FROM page WHERE series = ? AND last_close >= ?", (number, rewrite.since))
            (first,) = connection.execute(
                "SELECT coalesce(max(number) + 1, 0) FROM page WHERE series = ?", (number,)
            ).fetchone()
            table = np.concatenate([stored[:, :kept], new], axis=1)
            write_pages(connection, number, first, table)
            before = connection.execute("SELECT max(last_close) FROM page WHERE series = ?", (number,)).fetchone()[0]
            last = LONG_AGO if before is None else before
            connection.execute(
                "UPDATE series SET last_close = ?, bars = bars + ?, state = ? WHERE id = ?",
                (last, new.shape[1] - old.shape[1], seal(rewrite.state), number),
            )
            self._last[number] = last
        each_number = zip(numbers.tolist(), rewrites, strict=True)
        _keep_checkpoints(connection, {number: each.checkpoint for number, each in each_number if each.checkpoint})

    @staticmethod
    def everything(connection: sqlite3.Connection) -> Iterator[tuple[SeriesKey, Bars]]:
        """Give every series with all its bars, in a transaction."""
        tails: dict[int, Table] = {}
        bucket = -1
        for number, instrument, timeframe in connection.execute(
            "SELECT id, instrument, timeframe FROM series ORDER BY id"
        ).fetchall():
            if number // BUCKET != bucket:
                bucket = number // BUCKET
                tails = _tail(connection, bucket).by_series()
            yield SeriesKey(instrument, timeframe), bars_of(latest(connection, number, tails.get(number), None))


class VisitedBars(BarLog):
    """The bars of all series, for a visitor; nothing of them is kept in memory, since the owner may add some."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @property
    def keys(self) -> list[SeriesKey]:
        """List every series."""
        with self._database.reading() as connection:
            return [SeriesKey(*row) for row in connection.execute("SELECT instrument, timeframe FROM series")]

    def number_of(self, key: SeriesKey) -> int | None:
        """Give the number of a series in the tables; None if there is no such series."""
        return self._told(key)[0]

    def last_close(self, key: SeriesKey) -> int | None:
        """Give the close time of the last bar of a series; None if there is none."""
        last = self._told(key)[1]
        return None if last == LONG_AGO else last

    def _told(self, key: SeriesKey) -> tuple[int | None, int]:
        with self._database.reading() as connection:
            found: tuple[int, int] | None = connection.execute(
                "SELECT id, last_close FROM series WHERE instrument = ? AND timeframe = ?", key
            ).fetchone()
        return found or (None, LONG_AGO)


def _keep_checkpoints(connection: sqlite3.Connection, kept: Mapping[int, bytes]) -> None:
    connection.executemany(
        "INSERT INTO checkpoint VALUES (?, ?) ON CONFLICT (series) DO UPDATE SET data = excluded.data",
        [(number, seal(checkpoint)) for number, checkpoint in kept.items()],
    )


def _read_bucket(
    connection: sqlite3.Connection, bucket: int, wanted: Mapping[int, SeriesKey], last_bars: int | None
) -> StoredTogether:
    """Read series of a bucket, by their numbers; DamagedError if bars do not match the row of their series."""
    tail = _tail(connection, bucket, last_bars)
    in_tail = dict(zip(tail.ids, zip(tail.begins, tail.ends, strict=True), strict=True))
    tables, size = [tail.table], tail.table.shape[1]
    rows = {
        number: rest
        for number, *rest in connection.execute(
            "SELECT id, last_close, bars FROM series WHERE id BETWEEN ? AND ?", (min(wanted), max(wanted))
        )
    }
    runs = []
    for number, key in wanted.items():
        if number not in rows:
            raise DamagedError(f"the series {'/'.join(key)} is missing")
        last_close, count = rows[number]
        needed = count if last_bars is None else min(count, last_bars)
        begin, end = in_tail.get(number, (0, 0))
        if end - begin < needed:
            tables.append(latest(connection, number, tail.table[:, begin:end], last_bars))
            begin, end = size, size + tables[-1].shape[1]
            size = end
        runs.append((begin, end, needed, last_close))
    begins, ends, needed_bars, last_closes = np.array(runs, dtype=np.int64).T
    table = tables[0] if len(tables) == 1 else np.concatenate(tables, axis=1)
    _check_whole(list(wanted.values()), table[1], begins, ends, needed_bars, last_closes)
    return StoredTogether(list(wanted.values()), bars_of(table), begins, ends)


def _check_whole(
    keys: Sequence[SeriesKey], closes: Table, begins: Table, ends: Table, counts: Table, last_closes: Table
) -> None:
    """Raise DamagedError if bars are not as many as they should be, not in order, or end with another one."""
    wrong = ends - begins != counts
    some = np.flatnonzero(ends > begins)
    wrong[some] |= closes[ends[some] - 1] != last_closes[some]
    steps_back = np.concatenate([[0, 0], np.cumsum(closes[1:] <= closes[:-1])])
    wrong[some] |= steps_back[ends[some]] > steps_back[begins[some] + 1]
    if wrong.any():
        raise DamagedError(f"bars of {'/'.join(keys[np.flatnonzero(wrong)[0]])} are missing or out of order")


def _tail(connection: sqlite3.Connection, bucket: int, last_bars: int | None = None) -> Runs:
    """Give the bars in the tail of a bucket, of each series the last ones or all."""
    chunks = connection.execute("SELECT number, data FROM tail WHERE bucket = ? ORDER BY number", (bucket,))
    return Runs.of([unpack(data, f"chunk {number} of the tail") for number, data in chunks], last_bars)
