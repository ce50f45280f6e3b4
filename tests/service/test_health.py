"""Health and metrics, asked over HTTP: well only where somebody is looking at every series in time."""

from __future__ import annotations

import asyncio
import json
import socket
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from scanner.clocks import SECOND
from scanner.events import Event
from scanner.service.health import HealthServer, metrics
from scanner.service.station import Station
from scanner.service.store import Batch, Said, Store
from scanner.service.vitals import FeedVitals, Vitals, look
from scanner.settings import from_document
from tests.service.simulated_time import SimulatedTime

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

NOW = 1_772_467_500 * SECOND
WELL = Vitals(
    station="loft",
    watching=True,
    now=NOW,
    bars=12,
    events={"setup.qualified": 3, "feed.late": 0},
    feeds={"coast": FeedVitals(0.0, 0, 90.0), "isle": FeedVitals(60.0, 2, 90.0)},
    outbox={("mail", "waiting"): 4, ("mail", "dead"): 1},
    last_bar=NOW - 60 * SECOND,
)


@asynccontextmanager
async def asked(vitals: Vitals) -> AsyncIterator[httpx.AsyncClient]:
    async def see() -> Vitals:
        return vitals

    server = HealthServer(0, see)
    await server.start()
    try:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{server.port}", trust_env=False) as client:
            yield client
    finally:
        await server.stop()


async def test_it_is_well_where_it_watches_no_feed_is_beyond_its_patience_and_no_sink_fails() -> None:
    async with asked(WELL) as client:
        answer = await client.get("/health")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/json")
    told = answer.json()
    assert (told["well"], told["reasons"], told["last_bar"]) == (True, [], "2026-03-02T16:04:00Z")
    assert told["feeds"]["isle"] == {"lag": 60.0, "behind": 2, "patience": 90.0, "late": False}
    assert (told["sinks"], told["refused"]) == ({}, {"mail": 1})


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"watching": False}, "the station is not watching"),
        ({"feeds": {"isle": FeedVitals(91.0, 2, 90.0)}}, "the feed isle is 91 s behind with 2 series"),
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


async def test_who_asks_wrongly_or_leaves_troubles_nobody_else() -> None:
    async with asked(WELL) as client:
        port = client.base_url.port or 0
        for sent in (b"\r\n\r\n", b"GET\r\n\r\n", b"GET /health HTTP/1.1", b"x" * 40_000):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(sent)
            writer.write_eof()
            with suppress(ConnectionResetError):  # where the line was closed before all was read
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
        station.desk.load()
        assert (await look(station)).feeds["coast"] == FeedVitals(0.0, 0, 120.0)  # nothing was due since it began
        assert (await look(station)).reasons() == ["the station is not watching: it is catching up or stopping"]
        station.watching.set()
        clock.wall = 3 * minute
        assert (await look(station)).feeds["coast"] == FeedVitals(120.0, 2, 120.0)
        assert (await look(station)).reasons() == []
        clock.wall += SECOND
        told = await look(station)
        assert told.feeds["coast"].late
        assert json.dumps(told.told())
        event = Event("feed.late", "0" * 32, NOW, "coast", {"feed": "coast"})
        store.commit(Batch(said=[Said(event, ["mail"])]))
        assert (await look(station)).outbox == {("mail", "waiting"): 1}
        assert ("closewatch_feed_late", "coast") in values(metrics(told).decode())


class _Silent:
    """A feed that never has anything."""

    batch = 1
    arrived: asyncio.Event | None = None

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    async def fetch(self, wants: object) -> list[Any]:
        del wants
        return []
