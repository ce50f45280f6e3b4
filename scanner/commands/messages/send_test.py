"""``closewatch send-test``: an example sent to each sink by the code that delivers every alert."""

from __future__ import annotations

import asyncio
import random
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from scanner.backoff import Pauses
from scanner.clocks import WallClock
from scanner.commands import output
from scanner.commands.messages.example import example
from scanner.commands.trouble import DONE, FAILED, UNUSABLE, UsageError
from scanner.configuration.adapters import build_sink
from scanner.configuration.mistakes import did_you_mean
from scanner.configuration.model import settings as configuration
from scanner.delivery import Dispatcher
from scanner.store import Batch, Said, Store
from scanner.store.lock import not_running

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.commands.messages.example import Example
    from scanner.configuration.model.settings import Settings
    from scanner.ports import Sink

SECONDS = 60.0
"""Seconds allowed for all sinks."""
LOOK = 0.05


def run(path: Path, environ: Mapping[str, str], only: str | None) -> int:
    """Send it to every sink of a configuration, or to one; print each result, and return the exit code."""
    settings = configuration.load(path)
    names = _chosen(settings, path, only)
    sinks: dict[str, Sink] = {}
    came_of: dict[str, str] = {}
    for name in names:
        try:
            sinks[name] = build_sink(name, settings, environ)
        except configuration.SettingsError as problem:
            came_of[name] = str(problem)
    unusable = bool(came_of)
    if sinks:
        with not_running(settings.store_path):
            output.tell("Sending an example to each sink …")
            came_of |= asyncio.run(_send(sinks, example(time.time_ns()), settings.station.zone))
    for name in names:
        output.say(f"{name}: {f'not sent: {came_of[name]}' if came_of[name] else 'sent'}")
    if unusable:
        return UNUSABLE
    return FAILED if any(came_of.values()) else DONE


def _chosen(settings: Settings, path: Path, only: str | None) -> list[str]:
    if not settings.sinks:
        raise UsageError(f'{path} has no sinks; add one, such as [sinks.screen] with type = "console"')
    if only is None:
        return list(settings.sinks)
    if only not in settings.sinks:
        known = did_you_mean(only, settings.sinks) or f"; it has {', '.join(settings.sinks)}"
        raise UsageError(f'there is no sink "{only}" in {path}{known}')
    return [only]


async def _send(sinks: Mapping[str, Sink], sent: Example, zone: str) -> dict[str, str]:
    """Give for each sink what went wrong, in a sentence; empty if it accepted the example."""
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "test.db", time.time_ns) as store:
        store.commit(Batch(said=[Said(sent.event, tuple(sinks))]))
        delivery = Dispatcher(
            store,
            sinks,
            clock=WallClock(),
            pauses=Pauses(random.random),
            picture=lambda _: _drawn(sent, zone),
        )
        stop = asyncio.Event()
        running = asyncio.create_task(delivery.run(stop))
        try:
            async with asyncio.timeout(SECONDS):
                while not running.done() and len(_outcomes(store, delivery)) < len(sinks):  # noqa: ASYNC110 - an outbox does not signal a change
                    await asyncio.sleep(LOOK)
        except TimeoutError:
            pass
        stop.set()
        await running
        late = f"it has not answered within {SECONDS:g} s; check its address and the network"
        return dict.fromkeys(sinks, late) | _outcomes(store, delivery)


def _outcomes(store: Store, delivery: Dispatcher) -> dict[str, str]:
    """Give what went wrong for each sink with a known result, empty if nothing did."""
    found = delivery.troubles()
    for each in store.outbox.list():
        if each.state != "waiting":
            found[each.sink] = each.error
    return found


def _drawn(sent: Example, zone: str) -> bytes:
    from scanner.present.chart.chart import chart_for  # noqa: PLC0415 - heavy, and not every sink needs a picture

    return chart_for(sent.bars, sent.event, sent.rules, zone)
