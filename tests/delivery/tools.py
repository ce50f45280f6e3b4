"""Shared by the tests of delivery: time that passes only in sleep, sinks that fail by plan, and invented events."""

from __future__ import annotations

import asyncio
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Protocol

from scanner.backoff import Pauses
from scanner.delivery import Dispatcher
from scanner.events import event_id
from scanner.ports import DeliveryRefusedError
from scanner.store import Batch, Said, Store
from tests.adapters.samples import BAR_CLOSE, setup_event
from tests.service.simulated_time import AtOnce

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from scanner.events import Event
    from scanner.ports import Message, Sink

SECOND = 1_000_000_000
NAME = "there"


@dataclass
class Time:
    """A clock that moves only when someone sleeps, and then at once."""

    shown: int = BAR_CLOSE
    slept: list[float] = field(default_factory=list)
    after: Callable[[], None] = lambda: None

    def __call__(self) -> int:
        return self.shown

    def now(self) -> int:
        return self.shown

    def wall_time(self, moment: int) -> float:
        return moment / SECOND

    async def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.slept.append(seconds)
        self.shown += round(seconds * SECOND)
        self.after()
        await asyncio.sleep(0)

    @property
    def passed(self) -> float:
        return (self.shown - BAR_CLOSE) / SECOND


class Passing(Protocol):
    """Time that passes, in seconds."""

    @property
    def passed(self) -> float: ...


@dataclass
class PlannedSink:
    """Accepts events, unless the next of its ``troubles`` is an error; never accepts the events in ``poison``.

    While a poisonous event is being sent, all deliveries under way are refused, as by a broker that hangs up.
    """

    time: Passing
    troubles: list[BaseException | None] = field(default_factory=list)
    poison: frozenset[str] = frozenset()
    lost_answers: bool = False
    digests: bool = True
    at_once: int = 1
    wants_pictures: bool = False
    start_troubles: list[BaseException | None] = field(default_factory=list)
    calls: list[tuple[float, list[Message]]] = field(default_factory=list)
    starts: int = 0
    stops: int = 0
    most: int = 0
    under_way: dict[int, bool] = field(default_factory=dict)

    async def start(self) -> None:
        self.starts += 1
        if self.start_troubles and (trouble := self.start_troubles.pop(0)) is not None:
            raise trouble

    async def stop(self) -> None:
        self.stops += 1

    async def deliver(self, messages: Sequence[Message]) -> None:
        if len(messages) > 1:
            assert self.digests
        key = id(messages)
        self.under_way[key] = any(message.event.id in self.poison for message in messages)
        self.most = max(self.most, len(self.under_way))
        await asyncio.sleep(0)
        refused = any(self.under_way.values())
        await asyncio.sleep(0)
        del self.under_way[key]
        if refused:
            raise DeliveryRefusedError("it will not have that")
        trouble = self.troubles.pop(0) if self.troubles else None
        if trouble is None or self.lost_answers:
            self.calls.append((self.time.passed, list(messages)))
        if trouble is not None:
            raise trouble

    @property
    def taken(self) -> list[str]:
        """The ids that arrived, in order, including repeats."""
        return [message.event.id for _, messages in self.calls for message in messages]

    @property
    def sizes(self) -> list[int]:
        return [len(messages) for _, messages in self.calls]


def told(number: int, thread: int | None = None, at: int = BAR_CLOSE) -> Event:
    """Invent the event with a number: a setup, or a later event of the setup number ``thread``."""
    setup = setup_event(f"BUOY{number if thread is None else thread}", bar_close=at)
    if thread is None:
        return replace(setup, id=event_id("told", str(number)), thread=event_id("told", str(number)))
    name = event_id("told", str(number))
    return replace(setup, kind="setup.withdrawn", id=name, thread=event_id("told", str(thread)))


@contextmanager
def store_with(time: Callable[[], int], events: Sequence[Event], sinks: Sequence[str] = (NAME,)) -> Iterator[Store]:
    """Open a new store with events waiting in its outbox."""
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "store.db", time, patience=0.05) as store:
        say(store, events, sinks)
        yield store


def say(store: Store, events: Sequence[Event], sinks: Sequence[str] = (NAME,)) -> None:
    store.commit(Batch(said=[Said(event, sinks) for event in events]))


async def deliver(
    store: Store,
    time: Time,
    sinks: dict[str, Sink],
    *,
    until: Callable[[], bool] | None = None,
    horizon: float = 1e7,
    **options: Any,  # noqa: ANN401 - those of Delivery
) -> Dispatcher:
    """Deliver until nothing waits any more, or until ``until``; fails if that takes longer than the ``horizon``."""
    stop = asyncio.Event()

    def waiting() -> bool:
        return any(state == "waiting" for _, state in store.outbox.counts())

    def look() -> None:
        if time.passed > horizon or (not waiting() if until is None else until()):
            stop.set()

    time.after = look
    # Threads would let the time of one sink pass while another still waits for the store.
    asyncio.get_running_loop().set_default_executor(AtOnce())
    delivery = Dispatcher(store, sinks, clock=time, **{"pauses": Pauses(lambda: 0.5)} | options)
    async with asyncio.timeout(20):
        await delivery.run(stop)
    assert time.passed <= horizon
    return delivery
