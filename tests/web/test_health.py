"""Health and metrics over HTTP: a station is well only if it watches every series in time."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from scanner.clocks import SECOND
from scanner.configuration.model.settings import from_document
from scanner.events import Event
from scanner.ports import FeedLimits, FeedTroubleError
from scanner.service.health_state import FeedHealth, StationHealth, look
from scanner.service.station import Station
from scanner.store import Batch, Said, Store
from scanner.web.health import HealthServer, metrics
from tests.service.bad_days import DayTime, Tape, day, settings
from tests.service.simulated_time import SimulatedTime

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from scanner.ports import Want

NOW = 1_772_467_500 * SECOND
WELL = StationHealth(
    station="loft",
    watching=True,
    now=NOW,
    bars=12,
    events={"setup.qualified": 3, "feed.late": 0},
    feeds={"coast": FeedHealth(0.0, 0, 90.0), "isle": FeedHealth(60.0, 2, 90.0)},
    outbox={("mail", "waiting"): 4, ("mail", "dead"): 1},
    last_bar=NOW - 60 * SECOND,
)


@asynccontextmanager
async def asked(health: StationHealth) -> AsyncIterator[httpx.AsyncClient]:
    async def see() -> StationHealth:
        return health

    server = HealthServer(0, see)
    await server.start()
    try:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{server.port}", trust_env=False) as client:
            yield client
    finally:
        await server.stop()


async def test_it_is_well_if_it_watches_and_no_feed_is_late_and_no_sink_fails() -> None:
    async with asked(WELL) as client:
        answer = await client.get("/health")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/json")
    told = answer.json()
    assert (told["well"], told["reasons"], told["last_bar"]) == (True, [], "2026-03-02T16:04:00Z")
    assert told["feeds"]["isle"] == {"lag": 60.0, "behind": 2, "patience": 90.0, "late": False, "fetching": 0}
    assert (told["sinks"], told["refused"]) == ({}, {"mail": 1})


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"watching": False}, "the station is not watching"),
        ({"feeds": {"isle": FeedHealth(91.0, 2, 90.0)}}, "the feed isle is 91 s behind with 2 series"),
        (
            {"feeds": {"isle": FeedHealth(9.0, 2, 90.0, said=True, trouble="its server is away")}},
            "the feed isle is 9 s behind with 2 series and has a patience of 90 s: its server is away",
        ),
        (
            {"feeds": {"isle": FeedHealth(0.0, 0, 90.0, fetching=2, said=True)}},
            "the feed isle was late and is catching up on what was missing",
        ),
        ({"stuck": True}, "taking in a batch is taking far too long; see whether the disk of the store is failing"),
        ({"sinks": {"mail": "the server is away"}}, "the sink mail fails: the server is away"),
        ({"trouble": "kept.db: the file is damaged"}, "kept.db: the file is damaged"),
    ],
)
async def test_it_says_why_it_is_not_well(change: dict[str, Any], reason: str) -> None:
    async with asked(replace(WELL, **change)) as client:
        answer = await client.get("/health")
    assert answer.status_code == 503
    assert [text.startswith(reason) for text in answer.json()["reasons"]] == [True]


def values(text: str) -> dict[tuple[str, str], float]:
    return {
        (sample.name, ",".join(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


async def test_metrics_are_read_by_the_parser_of_prometheus() -> None:
    async with asked(WELL) as client:
        answer = await client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=")
    assert values(answer.text) == {
        ("closewatch_watching", ""): 1,
        ("closewatch_bars_total", ""): 12,
        ("closewatch_events_total", "setup.qualified"): 3,
        ("closewatch_events_total", "feed.late"): 0,
        ("closewatch_feed_lag_seconds", "coast"): 0,
        ("closewatch_feed_lag_seconds", "isle"): 60,
        ("closewatch_feed_late", "coast"): 0,
        ("closewatch_feed_late", "isle"): 0,
        ("closewatch_feed_series_behind", "coast"): 0,
        ("closewatch_feed_series_behind", "isle"): 2,
        ("closewatch_feed_series_fetching", "coast"): 0,
        ("closewatch_feed_series_fetching", "isle"): 0,
        ("closewatch_outbox", "mail,waiting"): 4,
        ("closewatch_outbox", "mail,dead"): 1,
        ("closewatch_last_bar_timestamp_seconds", ""): NOW // SECOND - 60,
    }


async def test_other_questions_have_other_answers() -> None:
    async with asked(WELL) as client:
        assert (await client.get("/")).status_code == 404
        assert (await client.post("/health")).status_code == 405
        head = await client.head("/health")
        assert (head.status_code, head.content) == (200, b"")


async def test_a_bad_request_or_a_client_that_leaves_disturbs_nobody_else() -> None:
    async with asked(WELL) as client:
        port = client.base_url.port or 0
        for sent in (b"\r\n\r\n", b"GET\r\n\r\n", b"GET /health HTTP/1.1", b"x" * 40_000):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(sent)
            writer.write_eof()
            with suppress(ConnectionResetError):  # if the connection was closed before all was read
                got = await asyncio.wait_for(reader.read(), 5)
                assert got.partition(b"\r\n")[0] in {b"", b"HTTP/1.1 400 Bad Request"}
            writer.close()
        assert (await client.get("/health")).status_code == 200


async def test_only_this_machine_can_ask() -> None:
    async with asked(WELL) as client:
        port = client.base_url.port or 0
        with socket.socket() as other:
            other.bind(("127.0.0.2", port))  # free: the server listens on one address alone


async def test_a_station_is_judged_by_the_bars_it_has_and_not_by_what_it_tried(tmp_path: Path) -> None:
    minute = 60 * SECOND
    clock = SimulatedTime(NOW)
    document = {
        "station": {"name": "loft"},
        "feeds": {"coast": {"type": "folder", "path": "."}},
        "defaults": {"feed": "coast", "calendar": "24/7", "timeframes": ["1m"], "step": "0.01"},
        "instruments": {"GANNET": {}, "FULMAR": {}},
    }
    with Store.open(tmp_path / "kept.db", clock.now) as store:
        station = Station(from_document(document, tmp_path, {}), store, {"coast": _Silent()}, clock=clock)
        assert (await look(station)).last_bar is None  # while it is being loaded
        station.desk.load()
        assert (await look(station)).feeds["coast"] == FeedHealth(0.0, 0, 120.0)  # nothing was due since it started
        assert (await look(station)).reasons() == ["the station is not watching: it is catching up or stopping"]
        station.watching.set()
        clock.wall = 3 * minute
        assert (await look(station)).feeds["coast"] == FeedHealth(120.0, 2, 120.0)
        assert (await look(station)).reasons() == []
        clock.wall += SECOND
        told = await look(station)
        assert told.feeds["coast"].late
        assert json.dumps(told.told())
        event = Event("feed.late", "0" * 32, NOW, "coast", {"feed": "coast"})
        store.commit(Batch(said=[Said(event, ["mail"])]))
        assert (await look(station)).outbox == {("mail", "waiting"): 1}
        assert ("closewatch_feed_late", "coast") in values(metrics(told).decode())


async def test_a_feed_that_was_dead_from_the_start_is_late_in_every_respect(tmp_path: Path) -> None:
    time = DayTime()
    away = [True]

    def plan(_: Want) -> Any:  # noqa: ANN401 - as a plan does
        if away[0]:
            raise FeedTroubleError("its server is away")

    known = settings(tmp_path, defaults={"feed": "tape", "calendar": "24/7", "timeframes": ["4h"], "base": "15m",
                                         "step": "0.01"})  # fmt: skip
    with Store.open(tmp_path / "kept.db", time.now) as store:
        async with day(known, store, {"tape": Tape(time, plan)}, time) as on:
            assert not (await look(on.station)).feeds["tape"].late
            await time.run(130)
            assert on.kinds() == ["feed.late"]
            told = await look(on.station)
            # Its last bar closed as the day began, before which nothing was due from a station that did not run.
            assert told.feeds["tape"] == FeedHealth(130.0, 1, 120.0, said=True, trouble="its server is away")
            assert told.reasons() == [
                "the feed tape is 130 s behind with 1 series and has a patience of 120 s: its server is away"
            ]
            away[0] = False
            await time.run(600)
            assert on.kinds() == ["feed.late", "feed.back"]
            assert (await look(on.station)).reasons() == []


async def test_while_history_is_fetched_a_feed_is_not_called_late_for_it(tmp_path: Path) -> None:
    time = DayTime()
    feed = Tape(time)
    both = settings(tmp_path, instruments={"GANNET": {}, "FULMAR": {}})
    with Store.open(tmp_path / "kept.db", time.now) as store:
        async with day(settings(tmp_path), store, {"tape": feed}, time) as on:
            feed.at_most = 5
            await on.station.reload(both)
            await time.run(1)
            last = on.station.desk.last_close("FULMAR")
            assert last is not None
            assert last < time.now() - 121 * SECOND
            told = await look(on.station)
            assert told.feeds["tape"] == FeedHealth(0.0, 0, 120.0, fetching=1)
            assert (told.reasons(), told.told()["notes"]) == (
                [],
                ["history of 1 series is being fetched from the feed tape; nobody is looking at them yet"],
            )
            await time.run(60)
            assert on.station.desk.last_close("FULMAR") == on.station.desk.last_close("GANNET")
            assert (await look(on.station)).notes() == []
            assert "feed.late" not in on.kinds()


async def test_a_store_that_hangs_is_given_as_the_reason_in_time(tmp_path: Path) -> None:
    time, held, goes_on = DayTime(), threading.Event(), threading.Event()

    def hold(store: Store) -> None:
        with store.database.plain():
            held.set()
            goes_on.wait()

    with Store.open(tmp_path / "kept.db", time.now) as store:
        station = Station(settings(tmp_path), store, {"tape": _Silent()}, clock=time)
        station.watching.set()
        holder = threading.Thread(target=hold, args=[store])
        holder.start()
        held.wait()
        server = HealthServer(0, partial(look, station, answer_within=0.2))
        await server.start()
        try:
            url = f"http://127.0.0.1:{server.port}/health"
            async with httpx.AsyncClient(trust_env=False) as client:
                answers = await asyncio.gather(*(client.get(url) for _ in range(12)))
                assert {each.status_code for each in answers} == {503}
                assert [each.json()["reasons"] for each in answers] == [
                    ["the store has not answered within 0.2 s"]
                ] * 12
                assert sum(each.name.startswith("health") for each in threading.enumerate()) == 1
                goes_on.set()
                holder.join()
                assert (await client.get(url)).json()["reasons"] == []
        finally:
            goes_on.set()
            await server.stop()


class _Silent:
    """A feed that never has anything."""

    batch = 1
    arrived: asyncio.Event | None = None
    limits = FeedLimits()

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    async def fetch(self, wants: object) -> list[Any]:
        del wants
        return []
