"""Upkeep moves data without changing it; the check finds what does not fit together."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import pytest

from adapters.feeds.files.opening import recordings
from adapters.feeds.files.trouble import ReadingOptions
from scanner.clocks import DAY
from scanner.market.bars import NO_TIME, Bars, RawBars
from scanner.store import Batch, Rewrite, Said, Sent, SeriesKey, Store, StoreTroubleError
from scanner.store.recordings import Recordings
from scanner.store.upkeep.check import check
from scanner.store.upkeep.export import export
from scanner.store.upkeep.maintenance import compact, retain, tidy
from tests.store.samples import FULMAR, GANNET, MINUTE, START, minute_bars, said, same_bars, sent, update

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from scanner.events import Kind
    from scanner.market.bars import StampKind


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "closewatch.db", lambda: START) as opened:
        yield opened


def test_tidying_folds_what_came_in_small_pieces_and_then_rests(store: Store) -> None:
    for minute in range(300):
        store.commit(Batch([update(GANNET, minute, 1)], sent=[sent(GANNET, minute, 1)]))
    assert [tidy(store), tidy(store), tidy(store)] == [True, True, False]
    with store.database.reading() as connection:
        counts = [connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in ("tail", "page")]  # noqa: S608 - our own names
    assert counts == [0, 2]
    (stored,) = store.bars.load([GANNET])
    assert same_bars(stored.bars, minute_bars(0, 300))
    assert check(store) == []


def test_pages_that_end_exactly_where_a_series_does_are_left_as_they_are(store: Store) -> None:
    for first, count in ((0, 256), (256, 512), (768, 10)):
        store.commit(Batch([update(GANNET, first, count)]))
        with store.bars.writing() as connection:
            store.bars.fold(connection, 0)
    with store.database.reading() as connection:
        pages = connection.execute("SELECT bars FROM page ORDER BY number").fetchall()
    assert pages == [(256,), (256,), (256,), (10,)]
    (stored,) = store.bars.load([GANNET])
    assert same_bars(stored.bars, minute_bars(0, 778))
    assert check(store) == []


def test_merging_recorded_rows_leaves_out_none_and_keeps_their_order(store: Store) -> None:
    first = 0
    for count in (3, 4, 5_000, 2, 6, 4_000, 300, 1, 5_000, 20):
        store.commit(Batch(sent=[sent(GANNET, first, count)]))
        first += count

    compact(store, keep_bars=500, keep_days=400)
    with store.database.reading() as connection:
        chunks = [[row for each in chunk for row in each.raw.row.tolist()] for chunk in Recordings.all(connection)]
    assert [row for chunk in chunks for row in chunk] == list(range(first))
    assert [len(chunk) for chunk in chunks] == [7, 5_000, 4_308, 1, 5_000, 20]


def test_retention_keeps_the_last_bars_and_whatever_still_waits(tmp_path: Path) -> None:
    now = START
    with Store.open(tmp_path / "closewatch.db", lambda: now) as store:
        old = [said(GANNET, 5), said(GANNET, 6), said(GANNET, 7, [])]
        store.commit(Batch([update(GANNET, 0, 1_500), update(FULMAR, 0, 400)], said=old, sent=[sent(GANNET, 0, 1_500)]))
        now = START + 30 * DAY
        store.commit(Batch([update(GANNET, 1_500, 20)], said=[said(GANNET, 1_510)], sent=[sent(GANNET, 1_500, 20)]))
        store.outbox.delivered([store.outbox.due(now, "console", 1)[0].number])
        done = compact(store, keep_bars=600, keep_days=20)
        assert check(store) == []
        found = {each.key: each.bars for each in store.bars.load([GANNET, FULMAR])}
        assert same_bars(found[FULMAR], minute_bars(0, 400))
        assert 600 <= len(found[GANNET]) < 600 + 256
        assert same_bars(found[GANNET], minute_bars(0, 1_520)[-len(found[GANNET]) :])
        assert [kept.event.id for kept in store.events.find()] == [old[1].event.id, said(GANNET, 1_510).event.id]
        assert (done.bars, done.events, done.recorded_rows) == (1_520 - len(found[GANNET]), 2, 1_500)
        assert done.bytes_after < done.bytes_before
        assert str(done).startswith(f"removed {done.bars} bars, 2 events and 1,500 recorded rows")
        assert retain(store, keep_bars=600, keep_days=20) == (0, 0, 0)


def test_a_story_is_kept_whole_until_it_has_ended_and_a_hold_until_it_is_over(tmp_path: Path) -> None:
    now, minutes = START, iter(range(100))

    def story(thread: str, *kinds: Kind, sinks: Sequence[str] = (), risk: str | None = "1.50") -> list[Said]:
        return [said(GANNET, next(minutes), sinks, thread, kind, risk) for kind in kinds]

    with Store.open(tmp_path / "closewatch.db", lambda: now) as store:
        old = [
            *story("waits for its entry", "setup.qualified"),
            *story("is open", "setup.set_aside", "setup.entered", "setup.pressure"),
            *story("has no entry", "setup.qualified", risk=None),
            *story("ended", "setup.qualified", "setup.entered", "setup.closed"),
            *story("holds again", "setup.qualified", "setup.withdrawn", "setup.qualified"),
            *story("ended yesterday", "setup.qualified", "setup.entered"),
            *story("its end is still to be sent", "setup.qualified"),
            *story("its end is still to be sent", "setup.lapsed", sinks=["console"]),
            *story("", "series.held", "series.resumed", "series.held"),
            *story("late", "feed.late"),
        ]
        store.commit(Batch([update(GANNET, 0, 100)], said=old))
        now = START + 30 * DAY
        store.commit(Batch(said=story("ended yesterday", "setup.closed")))
        retain(store, keep_bars=600, keep_days=20)
        kept = Counter(kept.event.thread or kept.event.kind for kept in store.events.find())
        assert check(store) == []
    assert kept == {
        "waits for its entry": 1,
        "is open": 3,
        "holds again": 3,
        "ended yesterday": 3,
        "its end is still to be sent": 2,
        "series.held": 1,
    }


HARM = {
    "1 deliveries are in the outbox, 2 should be": "DELETE FROM outbox WHERE number = 1",
    "a row of outbox points to no row of event": "DELETE FROM event WHERE number = 2",
    "GANNET/1m: 700 bars are in the log, 703 should be": "DELETE FROM tail",
    "GANNET/1m: its last bar is not the one it should be": "UPDATE series SET last_close = last_close + 1 WHERE id = 1",
    "GANNET/1m: 447 bars are in the log, 703 should be": "DELETE FROM page WHERE series = 1 AND number = 1",
    "GANNET/1m: page 2 holds other bars than it should": "UPDATE page SET bars = 3 WHERE series = 1 AND number = 2",
    "GANNET/1m: page 0 holds other bars than it should": (
        "UPDATE page SET data = (SELECT data FROM page WHERE series = 2) WHERE series = 1 AND number = 0"
    ),
    "GANNET/1m: an event is about a bar that is not in the log": "UPDATE event SET time = time - 1 WHERE number = 1",
    "is not as it was written": "UPDATE event SET data = replace(data, '701.1', '701.2') WHERE number = 1",
    "the state of FULMAR/1m cannot be read": "UPDATE series SET state = x'00' WHERE id = 2",
    "recording 1 cannot be read": "UPDATE recording SET data = substr(data, 1, 40)",
    "recording 1: it has 5 rows, 6 should be there": "UPDATE recording SET rows = 6",
    "chunk 2 of the tail cannot be read": "UPDATE tail SET data = x'00'",
}


@pytest.mark.parametrize("finding", HARM)
def test_the_check_finds_what_does_not_fit_together(store: Store, finding: str) -> None:
    store.commit(Batch([update(GANNET, 0, 700), update(FULMAR, 0, 20)], sent=[sent(GANNET, 0, 5)]))
    with store.bars.writing() as connection:
        store.bars.fold(connection, 0)
    told = [said(GANNET, 701, ["console", "mqtt"]), said(GANNET, 699)]
    store.commit(Batch([update(GANNET, 700, 3)], said=told))
    assert check(store) == []
    with store.database.plain() as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        assert connection.execute(HARM[finding]).rowcount
    assert any(finding in sentence for sentence in check(store)), check(store)


def test_an_export_is_read_by_the_recorded_feed_as_it_was_sent(store: Store, tmp_path: Path) -> None:
    nan = np.full(3, np.nan)
    prices = (np.array([1.5, np.nan, 1.75]), nan, nan, np.array([1.0, 2.0, 0.1 + 0.2]), nan)
    days, morning = np.array([START // DAY * DAY, NO_TIME, START // DAY * DAY + DAY]), 8 * 60 * MINUTE
    opens = np.where(days == NO_TIME, days, days + morning)
    kinds: dict[StampKind, NDArray[np.int64]] = {"open": opens, "close": days, "date": days}
    by_kind = {
        kind: RawBars(stamps, *prices, np.arange(3), "harbour", kind, {1: "yesterday"})
        for kind, stamps in kinds.items()
    }
    wild = SeriesKey("ÆRFUGL/../: *", "1d")
    store.commit(Batch(sent=[Sent(GANNET, sent(GANNET, 0, 1).raw), sent(FULMAR, 0, 2)]))
    store.commit(Batch(sent=[*(Sent(wild, raw) for raw in by_kind.values()), sent(GANNET, 1, 2)]))
    store.commit(Batch([update(GANNET, 0, 3)], said=[said(GANNET, 2)]))
    files = {each.path.name: each for each in export(store, tmp_path / "out")}
    assert {name: each.rows for name, each in files.items()} == {
        "recorded_1m_open.parquet": 5,
        **{f"recorded_1d_{kind}.parquet": 3 for kind in by_kind},
        "bars_1m.parquet": 3,
        "events.parquet": 1,
        "outbox.parquet": 1,
    }
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(files)

    minutes = {each.symbol: each for each in recordings([files["recorded_1m_open.parquet"].path], ReadingOptions())}
    assert list(minutes) == ["GANNET", "FULMAR"]
    (raw,) = minutes["GANNET"].bars
    assert raw.stamp_kind == "open"
    assert same_bars(
        Bars(raw.stamp, raw.stamp + MINUTE, raw.open, raw.high, raw.low, raw.close, raw.volume), minute_bars(0, 3)
    )
    for kind, wanted in by_kind.items():
        (recording,) = recordings([files[f"recorded_1d_{kind}.parquet"].path], ReadingOptions())
        (raw,) = recording.bars
        assert (recording.symbol, raw.stamp_kind) == (wild.instrument, kind)
        for name in ("stamp", "open", "high", "low", "close", "volume"):
            assert getattr(raw, name).tobytes() == getattr(wanted, name).tobytes(), (kind, name)


def test_an_export_of_many_bars_is_written_in_parts_and_whole(store: Store, tmp_path: Path) -> None:
    from pyarrow import parquet  # noqa: PLC0415 - heavy, and only here

    counts = {GANNET: 70_000, SeriesKey("DUNLIN", "1h"): 20_000, FULMAR: 50_000, SeriesKey("TERN", "1m"): 3}
    for key, count in counts.items():
        store.commit(Batch([update(key, 0, count)]))
    export(store, tmp_path / "out")
    minutes = parquet.read_table(tmp_path / "out" / "bars_1m.parquet").to_pandas()
    assert minutes.symbol.tolist() == ["GANNET"] * 70_000 + ["FULMAR"] * 50_000 + ["TERN"] * 3
    assert (minutes.open == np.concatenate([minute_bars(0, n).open for n in (70_000, 50_000, 3)])).all()
    assert parquet.read_metadata(tmp_path / "out" / "bars_1h.parquet").num_rows == 20_000


def test_an_export_holds_both_values_of_a_restated_bar(store: Store, tmp_path: Path) -> None:
    from pyarrow import parquet  # noqa: PLC0415 - heavy, and only here

    store.commit(Batch([update(GANNET, 0, 3)], said=[Said(said(GANNET, 0).event, ["mqtt"])]))
    again = minute_bars(2, 1, base=50.0)
    store.commit(Batch(rewrites=[Rewrite(GANNET, int(again.close_time[0]), again, b"")]))
    export(store, tmp_path / "out")
    export(store, tmp_path / "out")  # in place of the first one
    (was,) = parquet.read_table(tmp_path / "out" / "restated.parquet").to_pylist()
    now = parquet.read_table(tmp_path / "out" / "bars_1m.parquet").to_pylist()[-1]
    assert (was["symbol"], was["open"], now["open"]) == ("GANNET", 100.02, 50.02)
    assert was["close_time"] == now["close_time"]


def test_an_export_to_a_place_that_is_not_a_folder_is_refused(store: Store, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(StoreTroubleError, match=f"{tmp_path}/out: "):
        export(store, tmp_path / "out")
