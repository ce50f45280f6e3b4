"""Another list while watching: what stays goes on, what is new or changed is as if always watched in this way."""

from __future__ import annotations

import asyncio
import gc
import os
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from threading import Event as Signal
from typing import TYPE_CHECKING, Any
from weakref import ref

import numpy as np
import pytest
from structlog.testing import capture_logs

from scanner.configuration.model.settings import Settings, SettingsError, from_document, load
from scanner.events import rfc3339
from scanner.ports import Answer, FeedLimits, Want
from scanner.service.changes.config_mark import ListRead, fixed_mark
from scanner.service.changes.reloading import reload_from
from scanner.service.changes.restating import as_sent
from scanner.service.station import Station
from scanner.service.together.usual import Arrival
from scanner.store import Store, StoreTroubleError
from scanner.store.lock import holder
from scanner.store.upkeep.check import check
from tests.laws import QUARTER_HOUR, bars_of
from tests.outside.random_tapes import tape
from tests.service.harbour import at_rest
from tests.service.simulated_time import SimulatedTime

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    from scanner.analysis.pool import Pool
    from scanner.events import Event
    from scanner.market.bars import Bars

START = 1_700_000_100 * 1_000_000_000 // QUARTER_HOUR * QUARTER_HOUR
BARS = bars_of(tape(30), START)
HALF = len(BARS) // 2
OTHERWISE = {"macd_fast": 8, "warm_up": 110, "fast_average": 40, "slow_average": 100}


class Still(SimulatedTime):
    """A clock that stands still, whose bars close in the far future of the wall clock."""

    def wall_time(self, moment: int) -> float:
        return 4_000_000_000 + moment / 1_000_000_000

    def show(self, moment: int) -> None:
        self.wall = moment - self.start


@dataclass
class Tape:
    """A feed with the same invented bars for every symbol."""

    clock: Still
    batch: int = 100
    arrived: asyncio.Event | None = None
    limits: FeedLimits = field(default_factory=FeedLimits)
    asked: list[str] = field(default_factory=list)

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    async def fetch(self, wants: Sequence[Want]) -> list[Answer]:
        self.asked += [want.symbol for want in wants]
        return [Answer(want, as_sent(self.bars(want.since), "tape")) for want in wants]

    def bars(self, since: int | None) -> Bars:
        first = 0 if since is None else int(np.searchsorted(BARS.open_time, since))
        return BARS[first : int(np.searchsorted(BARS.close_time, self.clock.now(), side="right"))]


def document(instruments: Mapping[str, Any], **tables: Any) -> dict[str, Any]:  # noqa: ANN401 - tables of TOML
    return {
        "station": {"name": "loft", "stale_after": 10**6},
        "feeds": {"tape": {"type": "folder", "path": "."}},
        "defaults": {"feed": "tape", "calendar": "24/7", "timeframes": ["15m"], "step": "0.01", "base": "15m"},
        "instruments": dict(instruments),
        **tables,
    }


def settings(tmp_path: Path, instruments: Mapping[str, Any], **tables: Any) -> Settings:  # noqa: ANN401 - as above
    return from_document(document(instruments, **tables), tmp_path, {})


@pytest.fixture
def clock() -> Still:
    return Still(int(BARS.close_time[HALF - 1]))


@pytest.fixture
def store(tmp_path: Path, clock: Still) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", clock.now) as opened:
        yield opened


@asynccontextmanager
async def watching(known: Settings, store: Store, clock: Still) -> AsyncIterator[Station]:
    station, stop = Station(known, store, {"tape": Tape(clock)}, clock=clock), asyncio.Event()
    running = asyncio.create_task(station.run(stop))
    try:
        async with asyncio.timeout(20):
            await station.watching.wait()
        yield station
    finally:
        stop.set()
        await running


async def test_what_stays_keeps_its_pipeline_new_instruments_catch_up_and_old_ones_are_not_asked_for(
    tmp_path: Path, store: Store, clock: Still
) -> None:
    async with watching(settings(tmp_path, {"GANNET": {}, "FULMAR": {}}), store, clock) as station:
        kept = station.desk.pipelines["GANNET"]
        new = settings(tmp_path, {"GANNET": {"symbol": "GNT"}, "PUFFIN": {"timeframes": ["30m"], "base": "30m"}})
        assert await station.reload(new) == ["PUFFIN"]
        assert station.desk.pipelines["GANNET"] is kept
        assert sorted(station.desk.pipelines) == ["GANNET", "PUFFIN"]
        assert set(station.dues) == {"tape 24/7 15m", "tape 24/7 30m"}
        assert station.feeds["tape"].asked.count("FULMAR") == 1  # type: ignore[attr-defined]  # of Tape
        assert (await station.committer.take([Arrival("FULMAR", as_sent(BARS[HALF : HALF + 4], "tape"))])).bars == 0
        assert [group.instruments for group in station.groups] == [("GANNET",), ("PUFFIN",)]
        assert not station.desk.lacks("FULMAR", clock.now())  # none of its bars is missing any more


async def test_an_instrument_that_joins_has_its_history_at_once(tmp_path: Path, store: Store, clock: Still) -> None:
    async with watching(settings(tmp_path, {"GANNET": {}}), store, clock) as station:
        await station.reload(settings(tmp_path, {"GANNET": {}, "FULMAR": {}}))
        await at_rest(station.intakes["tape"])
        assert station.desk.last_close("FULMAR") == station.desk.last_close("GANNET") == int(BARS.close_time[HALF - 1])
        assert station.desk.pipelines["FULMAR"].lanes[0].engine.series.count == HALF


async def test_other_rules_take_the_place_of_the_old_ones(tmp_path: Path, store: Store, clock: Still) -> None:
    instruments: dict[str, dict[str, object]] = {"GANNET": {}, "FULMAR": {}, "PUFFIN": {}}
    async with watching(settings(tmp_path, instruments), store, clock) as station:
        before = ref(pool_of(station))
        await station.reload(settings(tmp_path, instruments, rules={"fast_average": 40}))
        gc.collect()
        assert before() is None
        assert len(pool_of(station).used) == 3
    async with watching(settings(tmp_path, instruments), store, clock) as station:
        assert len(pool_of(station).used) == 3


async def test_another_account_is_that_of_the_same_pipelines(tmp_path: Path, store: Store, clock: Still) -> None:
    async with watching(settings(tmp_path, {"GANNET": {}}), store, clock) as station:
        kept = station.desk.pipelines["GANNET"]
        assert await station.reload(settings(tmp_path, {"GANNET": {}}, account={"equity": 50_000})) == []
        assert station.desk.pipelines["GANNET"] is kept
        assert [lane.engine.account.equity for lane in kept.lanes] == [50_000]


def pool_of(station: Station) -> Pool:
    return station.desk.pipelines["GANNET"].lanes[0].engine.series.pool


async def test_bars_from_a_split_on_are_asked_for_at_once_after_those_before(
    tmp_path: Path, store: Store, clock: Still
) -> None:
    split = {"date": rfc3339(int(BARS.open_time[HALF // 2])), "ratio": "2:1"}
    async with watching(settings(tmp_path, {"GANNET": {"adjustments": [split]}}), store, clock) as station:
        assert station.desk.last_close("GANNET") == int(BARS.close_time[HALF - 1])
        assert station.feeds["tape"].asked == ["GANNET"] * 2  # type: ignore[attr-defined]  # of Tape


PLAIN: dict[str, object] = {"place_quality": "plain"}
NOTHING_REQUIRED: dict[str, object] = {"require": []}
"""With these, setups are often found on invented bars."""


def from_then_on(known: Settings) -> list[Event]:
    """Give what a station with these settings from the beginning publishes on the bars after the first half."""
    (each,) = known.watched()
    always = each.inputs(known.account).pipeline()
    return [
        event
        for event in always.events(always.check(as_sent(BARS, "tape")).bars)
        if event.time > BARS.close_time[HALF - 1]
    ]


@pytest.mark.parametrize("by", ["reload", "restart"])
@pytest.mark.parametrize(
    ("timeframes", "rules"), [(["15m"], {"fast_average": 40}), (["15m", "30m"], OTHERWISE)], ids=["rules", "both"]
)
async def test_with_new_rules_and_timeframes_it_publishes_as_if_it_always_had_them(
    tmp_path: Path, store: Store, clock: Still, by: str, timeframes: list[str], rules: dict[str, int]
) -> None:
    before = settings(tmp_path, {"GANNET": {}}, rules=PLAIN, surroundings=NOTHING_REQUIRED)
    after = settings(
        tmp_path, {"GANNET": {"timeframes": timeframes}}, rules=PLAIN | rules, surroundings=NOTHING_REQUIRED
    )
    expected = from_then_on(after)
    setups = {event.to_json() for event in expected if event.facts.begins}
    assert {event.data["timeframe"] for event in expected} == set(timeframes)
    assert not setups & {event.to_json() for event in from_then_on(before)}
    async with watching(before, store, clock) as station:
        if by == "reload":
            assert await station.reload(after) == ["GANNET"]
            await later(station, clock)
    if by == "restart":
        async with watching(after, store, clock) as station:
            await later(station, clock)
    said = [kept.event for kept in store.events.find() if kept.event.facts.about == "setup"]
    of_later = [event for event in said if event.time > BARS.close_time[HALF - 1]]
    assert sorted(event.to_json() for event in of_later) == sorted(event.to_json() for event in expected)
    assert check(store) == []
    assert Station(after, store, {}, clock=clock).desk.load() == []


async def later(station: Station, clock: Still) -> None:
    """Deliver the second half of the bars, some at a time."""
    for begin in range(HALF, len(BARS), 50):
        part = BARS[begin : begin + 50]
        clock.show(int(part.close_time[-1]))
        await station.committer.take([Arrival("GANNET", as_sent(part, "tape"))])


async def test_what_is_only_read_at_the_start_is_refused(tmp_path: Path, store: Store, clock: Still) -> None:
    old = settings(tmp_path, {"GANNET": {}})
    other = document({"GANNET": {}, "FULMAR": {}}) | {"feeds": {"tape": {"type": "folder", "path": "/srv"}}}
    async with watching(old, store, clock) as station:
        with pytest.raises(SettingsError, match=r"^\[feeds\] is different .*: restart the station"):
            await station.reload(from_document(other, tmp_path, {}))
        assert station.settings is old
        assert sorted(station.desk.pipelines) == ["GANNET"]


async def test_a_store_that_cannot_be_written_leaves_everything_unchanged(
    tmp_path: Path, store: Store, clock: Still
) -> None:
    old = settings(tmp_path, {"GANNET": {}, "FULMAR": {}})
    async with watching(old, store, clock) as station:
        kept = dict(station.desk.pipelines)
        with store.database.plain() as connection:
            connection.execute("PRAGMA query_only = ON")
        with pytest.raises(StoreTroubleError, match="read-only"):
            await station.reload(settings(tmp_path, {"GANNET": {}}, rules=OTHERWISE))
        with store.database.plain() as connection:
            connection.execute("PRAGMA query_only = OFF")
        assert station.settings is old
        assert station.desk.pipelines == kept
        clock.show(int(BARS.close_time[HALF]))
        assert (await station.committer.take([Arrival("FULMAR", as_sent(BARS[HALF : HALF + 1], "tape"))])).bars == 1


TOML = """
[station]
name = "loft"
stale_after = 1000000
[feeds.tape]
type = "folder"
path = "."
[defaults]
feed = "tape"
calendar = "24/7"
timeframes = ["15m"]
base = "15m"
step = "0.01"
"""


async def test_a_configuration_with_mistakes_is_refused_with_each_in_the_log_and_one_trouble(
    tmp_path: Path, store: Store, clock: Still
) -> None:
    path = tmp_path / "watch.toml"
    old = settings(tmp_path, {"GANNET": {}})
    async with watching(old, store, clock) as station:
        for text, reason in (
            (TOML + "[instruments.GANNET]\ntimeframe = ['15m']\n", "watch.toml:15: instruments.GANNET.timeframe"),
            (TOML + "[instruments.GANNET", "watch.toml:14: "),
            (TOML.replace('"."', '"/srv"') + "[instruments.GANNET]\n", "[feeds] is different"),
            (None, "give the path of a configuration"),
            (TOML + "a = " + "[" * 5_000 + "]" * 5_000, "watch.toml:14: TOML: tables and lists are nested more than"),
        ):
            path.unlink(missing_ok=True)
            if text is not None:
                path.write_text(text, encoding="utf-8")
            with capture_logs() as logged:
                assert not await reload_from(path, {}, station)
            refused, noted = logged
            assert (refused["log_level"], reason in " ".join(refused["reasons"])) == ("error", True), refused
            # The summary of the day says so as well.
            assert station.to_report.troubles[-1] == noted["trouble"]
            assert "the configuration was not taken, the list stays as it was: " in noted["trouble"]
            assert reason in noted["trouble"]
            assert station.settings is old
            assert ListRead.of(holder(tmp_path / "kept.db")) is None
        path.write_text(TOML + "[instruments.GANNET]\n[instruments.FULMAR]\n", encoding="utf-8")
        assert await reload_from(path, {}, station)
        assert sorted(station.desk.pipelines) == ["FULMAR", "GANNET"]
        known, wall = load(path, {}), round(clock.wall_time(clock.now()) * 1_000_000_000)
        read_again = ListRead(known.mark, wall, fixed_mark(known))
        assert ListRead.of(holder(tmp_path / "kept.db")) == read_again
        path.write_text("# a comment\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
        assert load(path, {}).mark == read_again.mark
        path.write_text(TOML + "[instruments.GANNET]", encoding="utf-8")
        assert load(path, {}).mark != read_again.mark


class Environ(dict[str, str]):
    """An environment that does something else before it is read."""

    def __init__(self, before: Callable[[], object]) -> None:
        super().__init__()
        self.before = before

    def __iter__(self) -> Iterator[str]:
        """Give the names, after that."""
        self.before()
        return super().__iter__()


def fail() -> None:
    raise RuntimeError("out of order")


async def test_whatever_fails_in_one_reload_is_reported_and_the_next_is_taken(
    tmp_path: Path, store: Store, clock: Still
) -> None:
    pipe, path, answered = tmp_path / "pipe.toml", tmp_path / "watch.toml", Signal()
    os.mkfifo(pipe)
    path.write_text(TOML + "[instruments.GANNET]\n[instruments.FULMAR]\n", encoding="utf-8")
    async with watching(settings(tmp_path, {"GANNET": {}}), store, clock) as station:
        for said, environ, reason in (
            (pipe, {}, "it is not a regular file; give the path of a configuration"),
            (path, Environ(fail), "reading it failed (RuntimeError: out of order)"),
            (path, Environ(answered.wait), "it could not be read within 0.2 s; see whether its disk fails"),
        ):
            async with asyncio.timeout(20):
                assert not await reload_from(said, environ, station, read_within=0.2)
            assert station.to_report.troubles[-1].endswith(f"the list stays as it was: {said}: {reason}")
        answered.set()
        assert await reload_from(path, {}, station)
        assert sorted(station.desk.pipelines) == ["FULMAR", "GANNET"]


async def test_warnings_are_logged_when_the_list_is_read_again(tmp_path: Path, store: Store, clock: Still) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(TOML + "[instruments.GANNET]\n[account]\nequity = 1000\nrisk_fraction = 0.05\n", encoding="utf-8")
    async with watching(settings(tmp_path, {"GANNET": {}}), store, clock) as station:
        with capture_logs() as logged:
            assert await reload_from(path, {}, station)
    (told,) = [entry["event"] for entry in logged if entry["log_level"] == "warning"]
    assert told.startswith(
        "account.risk_fraction: one trade may lose 5 % of the equity, 50.00 in a currency that is not"
    )
