"""A whole station whose MQTT broker, a real one, dies while it watches and comes back."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from scanner.backoff import Pauses
from scanner.clocks import PacedClock
from scanner.delivery import Dispatcher
from scanner.service.station import Station
from scanner.store import Store
from tests.adapters.feed_servers import until
from tests.adapters.mqtt_tools import ROOT, content, sink_for
from tests.adapters.servers import HOST, mosquitto
from tests.adapters.test_feed_mqtt_bars import feed_at, publish
from tests.service.bad_days import BARS, SECOND, Tape, expected, of_bars, settings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterable, Iterator, Sequence
    from pathlib import Path

    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.ports import Feed

TOPIC = "gateway/bars/GANNET/15m"
QUICKER = 200
"""How many times faster than the wall clock sleeps pass here."""


class Clock:
    """A clock that stands still where it is set, and whose sleeps are short."""

    def __init__(self) -> None:
        self.time = int(BARS.close_time[0])
        self._shown = asyncio.Event()

    def show(self, bars: int) -> None:
        """Jump to the time at which this many bars have closed."""
        self.time = int(BARS.close_time[bars - 1])
        self._shown.set()

    async def until_shown(self, _: float) -> None:
        """Wait until it jumps."""
        await self._shown.wait()
        self._shown.clear()

    def now(self) -> int:
        return self.time

    def wall_time(self, moment: int) -> float:
        return 4_000_000_000 + moment / SECOND

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / QUICKER)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", clock.now) as opened:
        yield opened


def messages(first: int, last: int) -> tuple[str, list[dict[str, float]]]:
    """Write bars as the gateway publishes them."""
    bars = BARS[first:last]
    columns = {"time": bars.open_time // SECOND} | {
        name: getattr(bars, name) for name in ("open", "high", "low", "close", "volume")
    }
    names = list(columns)
    return TOPIC, [
        {name: value for name, value in zip(names, row, strict=True) if value == value}  # noqa: PLR0124 - NaN is none
        for row in zip(*(column.tolist() for column in columns.values()), strict=True)
    ]


@asynccontextmanager
async def watching(
    folder: Path,
    store: Store,
    feed: Feed,
    clock: Clock,
    known: Settings | None = None,
    **options: Any,  # noqa: ANN401 - those of Station
) -> AsyncIterator[tuple[Station, list[Event]]]:
    told: list[Event] = []
    station = Station(
        known or settings(folder),
        store,
        {"tape": feed},
        clock=clock,
        sleep=clock.until_shown,
        on_event=told.append,
        **options,
    )
    stop = asyncio.Event()
    running = asyncio.create_task(station.run(stop))
    try:
        async with asyncio.timeout(20):
            await station.watching.wait()
        yield station, told
    finally:
        stop.set()
        await running


def of_feeds(told: Sequence[Event]) -> list[str]:
    return [event.kind for event in told if event.kind.startswith("feed.")]


@pytest.mark.parametrize("at_the_start", [False, True], ids=["dies while watching", "is not there at the start"])
async def test_a_feed_without_its_broker_is_late_once_and_back_with_all_missed_bars(
    tmp_path: Path, store: Store, clock: Clock, at_the_start: bool
) -> None:
    with mosquitto(tmp_path) as broker:
        feed = feed_at(broker.port, keep=1_000)
        if at_the_start:
            broker.kill()
            clock.show(390)
        async with watching(tmp_path, store, feed, clock) as (station, told):
            if not at_the_start:
                await publish(broker.port, messages(0, 390))
                clock.show(390)
                await until(lambda: station.desk.last_close("GANNET") == clock.now())
                broker.kill()
                clock.show(430)
            await until(lambda: of_feeds(told) == ["feed.late"])
            assert str(broker.port) in told[-1].data["reason"]
            broker.start()
            await until(lambda: feed.link.is_up)
            clock.show(430)
            await publish(broker.port, messages(0, 430))
            await until(lambda: of_feeds(told) == ["feed.late", "feed.back"])
            assert next(event for event in told if event.kind == "feed.back").data["caught_up"] == (
                430 if at_the_start else 40
            )
            assert station.desk.last_close("GANNET") == clock.now()
            replayed = expected(station.settings, 430, 0)
            await until(lambda: len(of_bars(told, 0)) == len(replayed))
            assert of_bars(told, 0) == replayed


async def test_alerts_for_a_broker_that_is_gone_wait_and_arrive_once(
    tmp_path: Path, store: Store, clock: Clock
) -> None:
    lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho says no type here
    lasting.SessionExpiryInterval = 600
    options = f"allow_anonymous true\npersistence true\npersistence_location {tmp_path}/"
    with mosquitto(tmp_path, options) as broker:

        @asynccontextmanager
        async def reading() -> AsyncIterator[aiomqtt.Client]:
            async with aiomqtt.Client(
                HOST,
                broker.port,
                identifier="reader",
                protocol=aiomqtt.ProtocolVersion.V5,
                clean_start=False,
                properties=lasting,
            ) as reader:
                await reader.subscribe(f"{ROOT}/setups/#", qos=1)
                yield reader
                await reader.unsubscribe("nothing")  # once the broker answers, it has all confirmations before that

        async def read(reader: aiomqtt.Client, count: int) -> list[Any]:
            async with asyncio.timeout(10):
                return [content(await anext(aiter(reader.messages))) for _ in range(count)]

        def of_stories(said: Iterable[Any]) -> dict[str, list[str]]:
            """Sort the events of setups by story: each story keeps its order."""
            stories: dict[str, list[str]] = defaultdict(list)
            for each in said:
                stories[each["thread"]].append(each["id"])
            return stories

        sentences: list[str] = []
        later = PacedClock(int(BARS.close_time[-1]), QUICKER)
        delivery = Dispatcher(
            store,
            {"archive": sink_for(broker.port)},
            clock=later,
            pauses=Pauses(lambda: 0.5),
            stale_after=10**6,
            tell=sentences.append,
        )
        tape = Tape(clock)
        assert tape.arrived is not None
        clock.show(397)
        async with watching(tmp_path, store, tape, clock, delivery=delivery) as (station, told):
            begin = clock.now()
            await until(lambda: not store.outbox.list(["waiting"]))  # which belonged to the history
            async with reading() as reader:
                clock.show(430)
                tape.arrived.set()
                first = await read(reader, 4)
                await until(lambda: not store.outbox.list(["waiting"]))
            broker.stop()
            for last in (510, 600):
                clock.show(last)
                tape.arrived.set()
                await until(lambda: station.desk.last_close("GANNET") == clock.now())
            await until(lambda: bool(delivery.troubles()))
            waiting = [each.event for each in store.outbox.list(["waiting"])]
            assert of_bars(waiting) == expected(station.settings, 600, int(BARS.close_time[429]))
            broker.start()
            async with reading() as reader:
                arrived = await read(reader, len(of_bars(waiting)))
                await until(lambda: not store.outbox.list(["waiting"]))
                assert len(reader.messages) == 0
            assert of_bars(told, begin) == expected(station.settings, 600, begin)
            news = [event.to_dict() for event in told if event.facts.about == "setup" and event.time > begin]
            assert of_stories([*first, *arrived]) == of_stories(news)
            assert len(sentences) == 2
            assert sentences[1] == "archive: works again"
