"""Trying feeds and sinks in parallel: whether each can be made and started, and what a feed answers."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import TYPE_CHECKING

from scanner.clocks import WallClock
from scanner.configuration.adapters import build_feed, build_sink
from scanner.configuration.model.settings import SettingsError
from scanner.ports import DeliveryError, FeedTroubleError, Hearing, PlayedFeed, Want, contained
from scanner.service.intake.requests import fitting
from scanner.service.trying.first_answer import Tried, look
from scanner.store.lock import not_running
from scanner.wording.text import SENTENCE, plain

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from scanner.configuration.model.settings import Settings, Watched
    from scanner.ports import Feed, Sink

SECONDS = 20.0
"""Seconds allowed for a start, and for a feed's answer unless the feed asks for longer."""
STOP_SECONDS = 5.0


async def try_all(
    settings: Settings, environ: Mapping[str, str], seconds: float = SECONDS, *, show_body: bool = False
) -> dict[str, Tried]:
    """Make, start and stop every feed and sink, and return the result of each.

    A feed is also asked for the bars of its first instrument, and they are checked. With ``show_body``, errors show
    what the other side wrote, which may contain secrets.

    The keys are such as ``feed provider``. StoreTroubleError if the station itself is running: a broker allows one
    client per name, and would disconnect it.
    """
    with not_running(settings.store_path):
        first = {each.feed: each for each in reversed(settings.watched())}
        trials = {
            **{
                f"feed {name}": _feed(
                    partial(build_feed, name, settings, environ, show_body=show_body),
                    first.get(name),
                    settings.station.zone,
                    seconds,
                )
                for name in settings.feeds
            },
            **{
                f"sink {name}": _sink(partial(build_sink, name, settings, environ, show_body=show_body), seconds)
                for name in settings.sinks
            },
        }
        return dict(zip(trials, await asyncio.gather(*trials.values()), strict=True))


async def _sink(make: Callable[[], Sink], seconds: float) -> Tried:
    try:
        sink = make()
    except SettingsError as problem:
        return Tried(str(problem))

    async def use() -> Tried:
        await sink.start()
        if isinstance(sink, Hearing) and sink.hears:
            await sink.try_hearing()
        return Tried()

    return await _tried(sink, use, seconds)


async def _feed(make: Callable[[], Feed], each: Watched | None, zone: str, seconds: float) -> Tried:
    try:
        feed = make()
    except SettingsError as problem:
        return Tried(str(problem))

    async def ask() -> Tried:
        await feed.start()
        if each is None:
            return Tried()
        clock = feed.play().clock if isinstance(feed, PlayedFeed) else WallClock()
        want, asked = Want(each.symbol, each.base.name, None), clock.now()
        answers = fitting(await feed.fetch([want]), {want})
        return await asyncio.to_thread(look, answers, each, feed, zone, asked)

    return await _tried(feed, ask, max(seconds, feed.limits.answer_within))


async def _tried(outside: Feed | Sink, use: Callable[[], Awaitable[Tried]], seconds: float) -> Tried:
    found = await _within(seconds, use())
    stopped = await _within(STOP_SECONDS, _stop(outside))
    if stopped.trouble and not found.trouble:
        return Tried(f"it did not stop: {stopped.trouble}")
    return found


async def _stop(outside: Feed | Sink) -> Tried:
    await outside.stop()
    return Tried()


async def _within(seconds: float, use: Awaitable[Tried]) -> Tried:
    try:
        async with asyncio.timeout(seconds):
            return await contained(use)
    except TimeoutError:
        return Tried(f"it has not answered within {seconds:g} s; check its address and the network")
    except (FeedTroubleError, DeliveryError) as trouble:
        return Tried(str(trouble))
    except Exception as problem:  # noqa: BLE001 - whatever is wrong with an adapter, the others are tried
        return Tried(plain(f"its adapter failed: {type(problem).__name__}: {problem}", SENTENCE))
