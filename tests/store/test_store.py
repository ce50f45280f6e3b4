"""The store returns what was stored, and stores a batch as a whole or not at all."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.market.bars import NO_TIME, Bars, RawBars
from scanner.store import Batch, Rewrite, Said, Sent, SeriesKey, SeriesUpdate, Store
from scanner.store.upkeep.check import check
from scanner.store.upkeep.maintenance import tidy
from tests.effort import EFFORT
from tests.store.samples import FULMAR, GANNET, MINUTE, START, minute_bars, said, same_bars, sent, update

if TYPE_CHECKING:
    from collections.abc import Iterator

SERIES = [SeriesKey(f"TERN{number}", timeframe) for number in range(3) for timeframe in ("1m", "1h")]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "closewatch.db", lambda: START) as opened:
        yield opened


def odd_bars(first: int, count: int, seed: int) -> Bars:
    """Invent bars whose prices may be any float: their bits must come back, whatever their value."""
    opens = START + MINUTE * np.arange(first, first + count, dtype=np.int64)
    bits = np.random.default_rng(seed).integers(0, 2**62, (5, count))
    prices = bits.view(np.float64)
    prices[:, ::3] = -0.0
    prices[4, ::2] = np.nan
    return Bars(opens, opens + MINUTE, *prices)


APPENDS = st.tuples(
    st.just("append"), st.dictionaries(st.sampled_from(SERIES), st.integers(0, 300), min_size=1), st.integers(0, 99)
)
REWRITES = st.tuples(st.just("rewrite"), st.sampled_from(SERIES), st.integers(1, 400), st.integers(0, 400))
STEPS = st.lists(st.one_of(APPENDS, REWRITES, st.sampled_from([("fold",), ("reopen",)])), min_size=1, max_size=12)


@settings(max_examples=8 * EFFORT)
@given(STEPS, st.integers(1, 700))
def test_whatever_is_done_a_series_comes_back_as_it_was_given(steps: list[tuple[object, ...]], last: int) -> None:
    model: dict[SeriesKey, tuple[Bars, bytes]] = {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "closewatch.db"
        opened = Store.open(path, lambda: START)
        for number, step in enumerate(steps):
            match step:
                case "append", dict(counts), int(seed):
                    updates = []
                    for key, count in counts.items():
                        before = model.get(key, (Bars.of([]), b""))[0]
                        first = int(before.open_time[-1] - START) // MINUTE + 1 if len(before) else 0
                        bars, state = odd_bars(first, count, seed), bytes([number] * seed)
                        updates.append(SeriesUpdate(key, bars, state))
                        model[key] = Bars.joined([before, bars]), state
                    opened.commit(Batch(updates))
                case "rewrite", SeriesKey() as key, int(back), int(count):
                    if key not in model:
                        continue
                    before = model[key][0]
                    kept = before[: max(len(before) - back, 0)]
                    first = int(kept.open_time[-1] - START) // MINUTE + 1 if len(kept) else 0
                    bars = odd_bars(first, count, number)
                    model[key] = Bars.joined([kept, bars]), b"again"
                    opened.commit(Batch(rewrites=[Rewrite(key, START + MINUTE * (first + 1), bars, b"again")]))
                case ("fold",):
                    with opened.bars.writing() as connection:
                        while (bucket := opened.bars.longest_tail(due=False)) is not None:
                            opened.bars.fold(connection, bucket)
                case _:
                    opened.close()
                    opened = Store.open(path, lambda: START)
        assert check(opened) == []
        states = {key: state for key, _, state in opened.bars.states()}
        assert states == {key: state for key, (_, state) in model.items()}
        for last_bars in (None, last):
            found = {each.key: each for each in opened.bars.load([*SERIES, GANNET], last_bars)}
            assert set(found) == set(model)
            for key, (bars, _) in model.items():
                assert same_bars(found[key].bars, bars if last_bars is None else bars[-last_bars:])
                assert opened.bars.last_close(key) == (int(bars.close_time[-1]) if len(bars) else None)
        opened.close()


def everything(store: Store) -> list[object]:
    """Give the contents of all tables, and what the store holds in memory about them."""
    with store.database.reading() as connection:
        tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        rows = [connection.execute(f"SELECT * FROM {name}").fetchall() for name in tables]  # noqa: S608 - our own names
    return [*rows, [(key, store.bars.last_close(key)) for key in store.bars.keys], store.bars.longest_tail(due=False)]


@pytest.mark.parametrize(
    ("batch", "message"),
    [
        (Batch([update(FULMAR, 0, 2), update(GANNET, 3, 1)]), "GANNET/1m: bars are not in order or not later"),
        (Batch([SeriesUpdate(FULMAR, minute_bars(0, 3)[::-1], b"")]), "FULMAR/1m: bars are not in order"),
        (Batch([update(FULMAR, 0, 1), update(FULMAR, 1, 1)]), "a series appears twice in one batch"),
        (
            Batch([update(FULMAR, 0, 1)], said=[said(FULMAR, 0), said(FULMAR, 1)]),
            "about a bar of FULMAR/1m that is not",
        ),
        (
            Batch([update(FULMAR, 0, 1)], [Rewrite(GANNET, START + 3 * MINUTE, minute_bars(0, 2), b"")]),
            "GANNET/1m: bars are not in order or earlier",
        ),
    ],
)
def test_a_batch_that_does_not_fit_leaves_the_store_as_it_was(store: Store, batch: Batch, message: str) -> None:
    store.commit(Batch([update(GANNET, 0, 4)], said=[said(GANNET, 3)], sent=[sent(GANNET, 0, 4)]))
    before = everything(store)
    with pytest.raises(ValueError, match=message):
        store.commit(batch)
    assert everything(store) == before
    assert store.commit(Batch([update(GANNET, 4, 1), update(FULMAR, 0, 1)], said=[said(FULMAR, 0)]))


def test_an_event_is_stored_once_and_waits_for_each_of_its_sinks(store: Store) -> None:
    first = said(GANNET, 1, ["console", "mqtt", "console"])
    assert store.commit(Batch([update(GANNET, 0, 2)], said=[first])) == [first.event]
    again = said(GANNET, 1, ["email"])
    other = said(GANNET, 2, [])
    assert store.commit(Batch([update(GANNET, 2, 1)], said=[again, other])) == [other.event]
    assert [(each.sink, each.event) for each in store.outbox.list()] == [
        ("console", first.event),
        ("mqtt", first.event),
    ]
    assert [kept.event for kept in store.events.find()] == [first.event, other.event]
    assert store.events.find()[0].event.to_json() == first.event.to_json()


def test_events_are_found_by_kind_series_time_and_number(store: Store) -> None:
    about_feed = Said(said(GANNET, 0).event.__class__("feed.late", "f1", START, "harbour", {"series": []}))
    store.commit(
        Batch([update(GANNET, 0, 5), update(FULMAR, 0, 5)], said=[said(GANNET, 1), about_feed, said(GANNET, 4)])
    )
    store.commit(Batch(said=[said(FULMAR, 4)]))

    def subjects(**which: object) -> list[str]:
        return [f"{kept.event.subject} {kept.event.kind}" for kept in store.events.find(**which)]  # type: ignore[arg-type]  # one of several keywords

    assert subjects(kinds=["feed.late"]) == ["harbour feed.late"]
    assert subjects(series=FULMAR) == ["FULMAR/1m setup.qualified"]
    assert subjects(series=SeriesKey("AUK", "1m")) == []
    assert len(subjects(since=START + 5 * MINUTE)) == 2
    assert len(subjects(series=GANNET, since=START + 5 * MINUTE)) == 1
    assert subjects(after=3) == ["FULMAR/1m setup.qualified"]
    assert len(subjects(limit=2)) == 2


def test_finding_the_events_of_a_series_does_not_read_those_of_others(store: Store) -> None:
    def steps() -> int:
        counted = [0]

        def count() -> int:
            counted[0] += 1
            return 0

        with store.database.plain() as connection:
            connection.set_progress_handler(count, 1)
        assert len(store.events.find(series=GANNET, since=START, kinds=["setup.qualified"])) == 1
        with store.database.plain() as connection:
            connection.set_progress_handler(None, 1)
        return counted[0]

    store.commit(Batch([update(GANNET, 0, 1), update(FULMAR, 0, 300)], said=[said(GANNET, 0)]))
    few = steps()
    store.commit(Batch(said=[said(FULMAR, minute) for minute in range(300)]))
    assert steps() <= few + 50


def test_a_restated_bar_is_kept_with_both_its_values(store: Store) -> None:
    store.commit(Batch([update(GANNET, 0, 4)], said=[said(GANNET, 2)]))
    again = Bars.joined([minute_bars(2, 1, base=200.0), minute_bars(3, 2)])
    store.commit(Batch(rewrites=[Rewrite(GANNET, int(again.close_time[0]), again, b"new")]))
    (stored,) = store.bars.load([GANNET])
    assert same_bars(stored.bars, Bars.joined([minute_bars(0, 2), again]))
    with store.database.reading() as connection:
        was = connection.execute("SELECT open_time, open, volume, noticed FROM restated").fetchall()
    old = minute_bars(2, 1)
    assert was == [(int(old.open_time[0]), float(old.open[0]), None, START)]
    assert check(store) == []


def test_what_the_feeds_sent_comes_back_in_the_order_of_its_arrival(tmp_path: Path) -> None:
    now = START
    with Store.open(tmp_path / "closewatch.db", lambda: now) as store:
        no_price, row = np.full(2, np.nan), np.array([7, 8])
        stamp, unreadable = np.array([NO_TIME, START]), {7: "tomorrow", 8: "twelve"}
        prices = (no_price, no_price, no_price, no_price, no_price)
        rubbish = RawBars(stamp, *prices, row, "a feed that raves", "close", unreadable)
        expected = []
        for number in range(300):
            now = START + number
            batch = [sent(GANNET, number, 1), Sent(FULMAR, rubbish)] if number % 100 == 0 else [sent(GANNET, number, 1)]
            expected += [(each.key, each.raw, now) for each in batch]
            store.commit(Batch(sent=batch))
        while tidy(store):
            pass
        with store.database.reading() as connection:
            (chunks,) = connection.execute("SELECT count(*) FROM recording").fetchone()
            found = [each for chunk in store.recordings.all(connection) for each in chunk]
        assert chunks < 50  # small ones have been merged
        assert check(store) == []
        assert [store.bars.number_of(key) for key, *_ in expected] == [each.series for each in found]
        for (_, raw, arrived), each in zip(expected, found, strict=True):
            assert each.arrived == arrived
            for name in ("stamp", "open", "high", "low", "close", "volume", "row"):
                assert getattr(each.raw, name).tobytes() == getattr(raw, name).tobytes()
            assert (each.raw.source, each.raw.stamp_kind) == (raw.source, raw.stamp_kind)
            assert each.raw.unreadable == raw.unreadable


def test_a_visitor_reads_beside_the_owner_and_marks_the_outbox(store: Store) -> None:
    store.commit(Batch([update(GANNET, 0, 2)], said=[said(GANNET, 1)]))
    with Store.open(store.database.path, lambda: START, visiting=True) as visitor:
        (waiting,) = visitor.outbox.list()
        assert visitor.outbox.drop([waiting.number]) == 1
        store.commit(Batch([update(GANNET, 2, 1)]))
        (seen,) = visitor.bars.load([GANNET])
        assert len(seen.bars) == 3
    assert store.outbox.due(START, "console", 9) == []


def test_data_of_an_event_keep_every_digit_and_letter(store: Store) -> None:
    event = said(GANNET, 0).event
    data = {"price": 0.1 + 0.2, "none": None, "text": "„Kurs“ \n \x1f 😀", "list": [1, -0.0, 1e-300]}
    odd = event.__class__("setup.qualified", "odd", event.time, event.subject, data)
    store.commit(Batch([update(GANNET, 0, 1)], said=[Said(odd, (), GANNET)]))
    (kept,) = store.events.find()
    assert json.dumps(kept.event.data) == json.dumps(data)
