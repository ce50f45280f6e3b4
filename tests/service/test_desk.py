"""The desk: what feeds give is taken in once, kept whole, and taken back where the feed says otherwise."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.rules import Rules
from scanner.market.bars import Bars, RawBars
from scanner.market.calendars import calendar_named
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.timeframes import Timeframe
from scanner.service.desk import Arrival, Desk, Taken
from scanner.service.store import Batch, SeriesKey, Store, StoreTroubleError
from scanner.settings import Watched
from scanner.trade.size import Account
from tests.laws import QUARTER_HOUR, bars_of, engine
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event

SEED = 7
START = 1_700_000_100 * 1_000_000_000 // QUARTER_HOUR * QUARTER_HOUR
BARS = bars_of(tape(SEED), START)
LATER = int(BARS.close_time[-1])
KEY = SeriesKey("GANNET", "15m")
ACCOUNT = Account(equity=Decimal(50_000), currency="EUR")


def watched() -> Watched:
    quarter = Timeframe.named("15m")
    return Watched(
        Instrument("GANNET", PriceSteps.fixed(Decimal("0.01"))),
        symbol="GANNET",
        feed="tape",
        group="",
        calendar=calendar_named("24/7"),
        base=quarter,
        timeframes=(quarter,),
        rules=Rules(),
        adjustments=(),
    )


def raw(bars: Bars) -> RawBars:
    rows = np.arange(len(bars))
    return RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, "tape")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def desk(store: Store, stale_after: int = 10**9) -> Desk:
    made = Desk([watched()], ACCOUNT, store, route=lambda _: ("screen",), stale_after=stale_after, record=True)
    made.load()
    return made


def take(at: Desk, bars: Bars, now: int | None = None) -> Taken:
    return at.take([Arrival("GANNET", raw(bars))], int(bars.close_time[-1]) if now is None else now)


def expected() -> list[Event]:
    return engine().push(BARS)


def test_the_tape_says_something() -> None:
    assert sum(event.kind == "setup.qualified" for event in expected()) >= 2


def test_bars_in_any_portions_overlapping_and_across_restarts_say_what_a_replay_says(store: Store) -> None:
    rng = np.random.default_rng(1)
    said: list[Event] = []
    at, end = desk(store), 0
    while end < len(BARS):
        begin = max(0, end - int(rng.integers(0, 5)))  # feeds like to repeat the last bars
        end = min(len(BARS), end + int(rng.integers(1, 120)))
        said += take(at, BARS[begin:end]).events
        if rng.random() < 0.5:
            at = desk(store)
    assert [event.to_json() for event in said] == [event.to_json() for event in expected()]
    assert [kept.event.to_json() for kept in store.events.find()] == [event.to_json() for event in expected()]


def test_an_instrument_comes_once_in_a_call(store: Store) -> None:
    with pytest.raises(ValueError, match="twice"):
        desk(store).take([Arrival("GANNET", raw(BARS[:9])), Arrival("GANNET", raw(BARS[9:20]))], LATER)


def test_an_open_bar_is_never_evaluated(store: Store) -> None:
    at = desk(store)
    now = int(BARS.close_time[300]) - 1
    assert take(at, BARS[:400], now).bars == 300
    assert at.last_close("GANNET") == int(BARS.close_time[299])
    assert take(at, BARS[295:400], now + 1).bars == 1


def test_a_bar_that_comes_after_later_ones_takes_its_place(store: Store) -> None:
    at, hole = desk(store), 300
    said = take(at, BARS[:hole]).events
    said += take(at, BARS[hole + 1 : hole + 3]).events
    late = BARS[hole : hole + 3]  # as feeds send it that keep what they are pushed in order of time
    assert take(at, late).bars == 0
    assert take(at, late).events == []
    said += take(at, BARS[hole + 2 :]).events
    (stored,) = store.bars.load([KEY])
    assert all(
        np.array_equal(*pair, equal_nan=True) for pair in zip(stored.bars.columns(), BARS.columns(), strict=True)
    )
    assert [event.to_json() for event in said] == [event.to_json() for event in expected()]


def test_a_bar_that_has_no_place_changes_nothing(store: Store) -> None:
    at = desk(store)
    take(at, BARS[:300])
    before = at.pipelines["GANNET"]
    crooked = Bars(BARS.open_time[200:201] + 60 * 10**9, *(column[200:201] for column in BARS.columns()[1:]))
    at.take([Arrival("GANNET", raw(Bars.joined([crooked, BARS[299:300]])))], LATER)
    assert at.pipelines["GANNET"] is before


def test_an_old_setup_is_kept_and_not_sent(store: Store) -> None:
    at = desk(store, stale_after=3)
    taken = take(at, BARS)
    assert not [event for event in taken.events if event.kind == "setup.qualified"]
    assert [event.id for event in taken.stale] == [event.id for event in expected() if event.kind == "setup.qualified"]
    assert not store.outbox.list()


def test_where_a_batch_cannot_be_kept_all_is_as_before_and_goes_through_later(store: Store) -> None:
    at = desk(store)
    take(at, BARS[:500])
    kept = at.pipelines["GANNET"].snapshot()

    def full(_: Batch) -> list[Event]:
        raise StoreTroubleError("the disk is full")

    at.store = type("Full", (), {"commit": staticmethod(full), "bars": store.bars, "events": store.events})()
    with pytest.raises(StoreTroubleError):
        take(at, BARS[500:])
    assert at.pipelines["GANNET"].snapshot() == kept
    at.store = store
    take(at, BARS[500:])
    assert [kept.event.id for kept in store.events.find()] == [event.id for event in expected()]


def restated(which: int) -> Bars:
    """Give the tape with the bar before a setup's last one made a quiet one: the setup does not stand any more."""
    columns = [column.copy() for column in BARS.columns()]
    _, _, open_, high, low, close, _ = columns
    high[which] = max(open_[which], close[which])
    low[which] = min(open_[which], close[which])
    close[which] = open_[which]
    return Bars(*columns)


def test_a_restated_bar_withdraws_what_does_not_stand_and_says_nothing_twice(store: Store) -> None:
    setups = [event for event in expected() if event.kind == "setup.qualified"]
    index = int(np.searchsorted(BARS.close_time, setups[-1].time))
    at = desk(store)
    take(at, BARS[: index + 1])
    changed = restated(index)
    taken = take(at, changed[index - 3 : index + 1])
    withdrawn = [event for event in taken.events if event.kind == "setup.withdrawn"]
    assert [event.data["withdraws"] for event in withdrawn] == [setups[-1].id]
    assert [event.thread for event in withdrawn] == [setups[-1].id]
    assert {event.kind for event in taken.events} == {"setup.withdrawn"}
    (stored,) = store.bars.load([KEY])
    assert stored.bars.close[index] == changed.close[index]
    # Said again, the correction is known; what follows is judged by it.
    assert take(at, changed[index - 3 : index + 1]).events == []
    take(at, changed[index + 1 :])
    whole = {event.id for event in engine().push(changed)}
    assert {kept.event.id for kept in store.events.find() if kept.event.kind == "setup.qualified"} == whole | {
        setups[-1].id
    }


def test_nothing_is_withdrawn_where_the_setup_still_stands(store: Store) -> None:
    setups = [event for event in expected() if event.kind == "setup.qualified"]
    index = int(np.searchsorted(BARS.close_time, setups[-1].time))
    at = desk(store)
    take(at, BARS[: index + 1])
    columns = [column.copy() for column in BARS.columns()]
    columns[6][index] += 1  # only the volume of the last bar
    assert take(at, Bars(*columns)[index - 3 : index + 1]).events == []
    assert setups[-1].id in {kept.event.id for kept in store.events.find()}
