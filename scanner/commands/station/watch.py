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

from scanner.backoff import Pauses
from scanner.clocks import SECOND, WallClock
from scanner.commands.journal.decide_by_message import DecisionsByMessage
from scanner.commands.messages.notes import notes_of
from scanner.commands.ready import compile_once
from scanner.commands.station.event_chart import event_chart
from scanner.commands.station.record_notes import RecordNotes
from scanner.commands.station.risk_notes import RiskNotes
from scanner.commands.trouble import StoppedError
from scanner.configuration.adapters import build_feed, build_sink
from scanner.configuration.model import settings as configuration
from scanner.delivery import Dispatcher
from scanner.engine.ready import make_ready
from scanner.ports import FeedTroubleError, Hearing, PlayedFeed
from scanner.service.changes import config_mark
from scanner.service.changes.reloading import reload_from, warn
from scanner.service.health_state import look
from scanner.service.station import Station
from scanner.service.supervisor import Supervisor
from scanner.store import Store

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from contextlib import AbstractContextManager
    from pathlib import Path

    from scanner.clocks import Clock
    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.ports import Feed, Played, Sink


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
"""Seconds allowed for closing the store."""


def run(path: Path, beside: Callable[[Path, Settings], AbstractContextManager[None]]) -> None:
    """Watch until stopped by Ctrl-C or SIGTERM; meanwhile ``beside`` serves the page, if one is configured."""
    set_up_logging()
    settings = configuration.load(path, to_watch=True)
    compile_once({each.rulebook for each in settings.watched()}, settings)
    feeds = {name: build_feed(name, settings) for name in settings.feeds}
    sinks = {name: build_sink(name, settings) for name in settings.sinks}
    # Check first that the store is free: if this station is watching already, its port is taken as well.
    with (
        Store.open(settings.store_path, lambda: clock.now()) as store,  # noqa: PLW0108 - the clock is set later
        beside(path, settings),
        asyncio.Runner() as runner,
    ):
        played = _played(feeds, settings)
        clock, end = (WallClock(), None) if played is None else played
        try:
            runner.run(_watch(path, settings, store, feeds, sinks, clock, end))
        except BrokenPipeError:
            raise
        except OSError as problem:
            # The user's input is not the cause, so a supervisor should restart us.
            raise StoppedError(f"the system stopped the station: {problem}; fix that and start again") from problem
        _close(store)
        _end_at_once()


def _close(store: Store) -> None:
    """Close a store, unless its disk does not answer: what is not saved by then is lost; the lock ends with us."""
    closing = Thread(target=store.close, daemon=True)
    closing.start()
    closing.join(CLOSE_SECONDS)


def _end_at_once() -> NoReturn:
    """End the process once everything is stopped and saved, without waiting for threads.

    A thread that draws a picture, or connects to a machine that is gone, cannot be stopped.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):
            stream.flush()
    os._exit(0)


def _played(feeds: dict[str, Feed], settings: Settings) -> Played | None:
    """Play the recording, if there is one.

    The clock of a recording runs from here on, so what is slow must be over: the compiler could hold up the station
    for so many of its bars that the first alerts would be too old to send.
    """
    for feed in feeds.values():
        if isinstance(feed, PlayedFeed):
            if len(feeds) > 1:
                raise configuration.SettingsError("a played recording sets the clock: configure no other feed")
            make_ready({each.rulebook for each in settings.watched()})
            try:
                return feed.play()
            except FeedTroubleError as problem:
                raise configuration.SettingsError(str(problem)) from problem
    return None


async def _watch(
    path: Path,
    settings: Settings,
    store: Store,
    feeds: dict[str, Feed],
    sinks: dict[str, Sink],
    clock: Clock,
    end: int | None,
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
        lambda sentence: loop.call_soon_threadsafe(station.to_report.note, sentence),
    )
    delivery = Dispatcher(
        store,
        sinks,
        clock=clock,
        pauses=Pauses(random.random),
        picture=lambda event: event_chart(station.settings, store, event),
        notes=lambda event: notes_of(event, store, risk, record),
        quiet=settings.quiet,
        ceiling=settings.ceiling,
        stale_after=settings.station.stale_after,
        tell=lambda sentence: station.to_report.note(f"sink {sentence}"),
    )
    unread: list[OSError] = []

    def on_event(event: Event) -> None:
        try:
            if not sinks:
                print_event(event)
        except OSError as problem:
            unread.append(problem)
            stop.set()

    station = Station(settings, store, feeds, clock=clock, delivery=delivery, on_event=on_event)
    for name, sink in sinks.items():
        if isinstance(sink, Hearing):
            sink.hear(DecisionsByMessage(store, settings.station.zone, partial(_note_decision_trouble, station, name)))
    config_mark.keep(station)
    warn(station)
    record.look()
    supervisor = Supervisor(os.environ)
    beside = [
        asyncio.create_task(_tell(supervisor, station, stop)),
        asyncio.create_task(_read_again(path, station, supervisor, again)),
    ]
    if end is not None:
        beside.append(asyncio.create_task(_stop_at_the_end(station, clock, end, stop)))
    try:
        async with _health(settings.station.health_port, station):
            await station.run(stop)
    finally:
        for task in beside:
            task.cancel()
    if unread:
        raise unread[0]


def _note_decision_trouble(station: Station, sink: str, trouble: str) -> None:
    station.to_report.note(f"decisions by sink {sink}: {trouble}")


@asynccontextmanager
async def _health(port: int | None, station: Station) -> AsyncIterator[None]:
    if port is None:
        yield
        return
    from scanner.web.health import HealthServer  # noqa: PLC0415 - only where it is wanted

    server = HealthServer(port, partial(look, station))
    try:
        await server.start()
    except OSError as problem:
        raise configuration.SettingsError(
            f"health_port of [station], {port}, cannot be opened ({problem.strerror}); choose another port"
        ) from problem
    try:
        yield
    finally:
        await server.stop()


async def _tell(supervisor: Supervisor, station: Station, stop: asyncio.Event) -> None:
    await station.watching.wait()
    supervisor.ready()
    alive = asyncio.create_task(supervisor.keep_telling(asyncio.sleep, lambda: not station.committer.turns.stuck))
    try:
        await stop.wait()
        supervisor.stopping()
    finally:
        alive.cancel()


async def _read_again(path: Path, station: Station, supervisor: Supervisor, again: asyncio.Event) -> None:
    await station.watching.wait()
    while True:
        await again.wait()
        again.clear()
        supervisor.reloading()
        await reload_from(path, os.environ, station)
        supervisor.ready()


async def _stop_at_the_end(station: Station, clock: Clock, end: int, stop: asyncio.Event) -> None:
    longest = max((group.timetable.timeframe.nanoseconds for group in station.groups), default=0)
    await clock.sleep((end + longest - clock.now()) / SECOND + 10)
    await station.watching.wait()
    await station.finish()
    stop.set()
