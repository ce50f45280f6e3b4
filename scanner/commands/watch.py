"""``closewatch watch``: one process that watches a list unattended."""

from __future__ import annotations

import asyncio
import logging
import os
import random
import signal
import sys
from contextlib import asynccontextmanager, suppress
from functools import partial
from threading import Thread
from typing import TYPE_CHECKING, NoReturn

import structlog

from scanner import settings as configuration
from scanner.clocks import SECOND, WallClock
from scanner.commands import output
from scanner.commands.decide_by_message import DecisionsByMessage
from scanner.commands.event_chart import event_chart
from scanner.commands.messages.notes import notes_of
from scanner.commands.record_notes import RecordNotes
from scanner.commands.risk_notes import RiskNotes
from scanner.commands.trouble import StoppedError
from scanner.engine import needs_compiling
from scanner.ports import FeedTroubleError, Hearing
from scanner.service import list_read
from scanner.service.configuration.outside import build_feed, build_sink
from scanner.service.delivery import Delivery
from scanner.service.reloading import reload_from, warn
from scanner.service.station import Station
from scanner.service.store import Store
from scanner.service.supervisor import Supervisor
from scanner.service.vitals import look

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from scanner.clocks import Clock
    from scanner.events import Event
    from scanner.ports import Feed, Sink
    from scanner.settings import Settings


def set_up_logging() -> None:
    """Log lines for people on a terminal, JSON lines elsewhere; both to stderr."""
    terminal = sys.stderr.isatty()
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.dev.ConsoleRenderer() if terminal else structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )


def print_event(event: Event) -> None:
    """Print one event as a line of JSON."""
    sys.stdout.write(event.to_json() + "\n")
    sys.stdout.flush()


CLOSE_SECONDS = 0.5
"""Seconds that closing the store may take."""


def run(path: Path) -> None:
    """Watch until told to stop by Ctrl-C or SIGTERM."""
    set_up_logging()
    settings = configuration.load(path, to_watch=True)
    output.announce_compiling(needed=any(needs_compiling(each.rulebook) for each in settings.watched()))
    settings.try_own_setups()
    feeds = {name: build_feed(name, settings) for name in settings.feeds}
    sinks = {name: build_sink(name, settings) for name in settings.sinks}
    # Whether the store is free is seen first, before a recording, which takes long, is read for its clock.
    with (
        asyncio.Runner() as runner,
        Store.open(settings.store_path, lambda: clock.now()) as store,  # noqa: PLW0108 - the clock is known later
    ):
        clock = _clock(feeds)
        try:
            runner.run(_watch(path, settings, store, feeds, sinks, clock))
        except BrokenPipeError:
            raise
        except OSError as problem:
            # No word of the user's is to blame, so that a supervisor does well to start us again.
            raise StoppedError(
                f"the watching was ended by the system: {problem}; see to that and start again"
            ) from problem
        _close(store)
        _end_at_once()


def _close(store: Store) -> None:
    """Close a store, unless its disk does not answer: what was not kept by then is not, and its lock ends with us."""
    closing = Thread(target=store.close, daemon=True)
    closing.start()
    closing.join(CLOSE_SECONDS)


def _end_at_once() -> NoReturn:
    """End the process, all being stopped and kept, without waiting for threads.

    One that draws a picture, or connects to a machine that is gone, cannot be told to stop.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):
            stream.flush()
    os._exit(0)


def _clock(feeds: dict[str, Feed]) -> Clock:
    """Take the clock of a recording that is played, else the wall's."""
    for feed in feeds.values():
        read = getattr(feed, "read", None)
        if read is not None:
            if len(feeds) > 1:
                raise configuration.SettingsError("a recording is played by a clock of its own: give it no other feed")
            try:
                read()
            except FeedTroubleError as problem:
                raise configuration.SettingsError(str(problem)) from problem
            clock: Clock = feed.clock  # type: ignore[attr-defined]  # whoever can be read has one
            return clock
    return WallClock()


async def _watch(
    path: Path, settings: Settings, store: Store, feeds: dict[str, Feed], sinks: dict[str, Sink], clock: Clock
) -> None:
    stop, again = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for each in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(each, stop.set)
    loop.add_signal_handler(signal.SIGHUP, again.set)
    risk = RiskNotes(store, lambda: station.settings)
    record = RecordNotes(
        settings.store_path,
        lambda: station.settings,
        clock.now,
        lambda sentence: loop.call_soon_threadsafe(station.telling.note, sentence),
    )
    delivery = Delivery(
        store,
        sinks,
        clock=clock.now,
        sleep=clock.sleep,
        random=random.random,
        picture=lambda event: event_chart(station.settings, store, event),
        notes=lambda event: notes_of(event, store, risk, record),
        quiet=settings.quiet,
        ceiling=settings.ceiling,
        stale_after=settings.station.stale_after,
        tell=lambda sentence: station.telling.note(f"sink {sentence}"),
    )
    on_event = print_event if not sinks else lambda _: None
    station = Station(settings, store, feeds, clock=clock, delivery=delivery, on_event=on_event)
    for name, sink in sinks.items():
        if isinstance(sink, Hearing):
            sink.hear(DecisionsByMessage(store, settings.station.zone, partial(_note_deaf, station, name)))
    list_read.keep(station)
    warn(station)
    record.look()
    supervisor = Supervisor(os.environ)
    beside = [
        asyncio.create_task(_stop_at_the_end(station, feeds, clock, stop)),
        asyncio.create_task(_tell(supervisor, station, stop)),
        asyncio.create_task(_read_again(path, station, supervisor, again)),
    ]
    try:
        async with _health(settings.station.health_port, station):
            await station.run(stop)
    finally:
        for task in beside:
            task.cancel()


def _note_deaf(station: Station, sink: str, trouble: str) -> None:
    station.telling.note(f"decisions by sink {sink}: {trouble}")


@asynccontextmanager
async def _health(port: int | None, station: Station) -> AsyncIterator[None]:
    """Answer for the station's health on a port, where one is wanted."""
    if port is None:
        yield
        return
    from scanner.service.health import HealthServer  # noqa: PLC0415 - only where it is wanted

    server = HealthServer(port, partial(look, station))
    try:
        await server.start()
    except OSError as problem:
        raise configuration.SettingsError(
            f"health_port of [station], {port}, cannot be opened ({problem.strerror}); choose another"
        ) from problem
    try:
        yield
    finally:
        await server.stop()


async def _tell(supervisor: Supervisor, station: Station, stop: asyncio.Event) -> None:
    """Tell the supervisor how we are, until we stop."""
    await station.watching.wait()
    supervisor.ready()
    alive = asyncio.create_task(supervisor.keep_telling(asyncio.sleep, lambda: not station.keeping.turns.stuck))
    try:
        await stop.wait()
        supervisor.stopping()
    finally:
        alive.cancel()


async def _read_again(path: Path, station: Station, supervisor: Supervisor, again: asyncio.Event) -> None:
    """Read the configuration again whenever that is asked for."""
    await station.watching.wait()
    while True:
        await again.wait()
        again.clear()
        supervisor.reloading()
        await reload_from(path, os.environ, station)
        supervisor.ready()


async def _stop_at_the_end(station: Station, feeds: dict[str, Feed], clock: Clock, stop: asyncio.Event) -> None:
    """Stop once a recording has been played to its end."""
    ends = [end for feed in feeds.values() if (end := getattr(feed, "end", None))]
    if not ends:
        return
    longest = max((group.timetable.timeframe.nanoseconds for group in station.groups), default=0)
    await clock.sleep((max(ends) + longest - clock.now()) / SECOND + 10)
    await station.watching.wait()
    await station.finish()
    stop.set()
