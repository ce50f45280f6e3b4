"""Trying feeds and sinks: whether each can be made and started, side by side."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import TYPE_CHECKING, cast

from scanner.ports import DeliveryError, FeedTroubleError, Want
from scanner.service.outside import build_feed, build_sink
from scanner.service.store_lock import StoreLock
from scanner.settings import SettingsError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from scanner.ports import Feed, Sink
    from scanner.settings import Settings

SECONDS = 20.0
"""How long one may take to start."""
STOP_SECONDS = 5.0


async def try_all(settings: Settings, environ: Mapping[str, str], seconds: float = SECONDS) -> dict[str, str | None]:
    """Make, start and stop every feed and sink; None where that went well, else the sentence that says why not.

    A feed is also asked for the bars of the first instrument that is listed for it.

    The keys are such as ``feed provider``. StoreTroubleError where the station itself is running: a broker lets nobody
    in twice by the same name, and would throw it out.
    """
    path = settings.store_path
    lock = StoreLock(path) if path.with_name(f"{path.name}.lock").exists() else None
    try:
        makers: dict[str, Callable[[], Feed | Sink]] = {
            **{f"feed {name}": partial(build_feed, name, settings, environ) for name in settings.feeds},
            **{f"sink {name}": partial(build_sink, name, settings, environ) for name in settings.sinks},
        }
        wants = {f"feed {each.feed}": Want(each.symbol, each.base.name, None) for each in reversed(settings.watched())}
        troubles = await asyncio.gather(*(_tried(make, wants.get(name), seconds) for name, make in makers.items()))
        return dict(zip(makers, troubles, strict=True))
    finally:
        if lock is not None:
            lock.release()


async def _tried(make: Callable[[], Feed | Sink], want: Want | None, seconds: float) -> str | None:
    try:
        outside = make()
    except SettingsError as problem:
        return str(problem)
    try:
        async with asyncio.timeout(seconds):
            await outside.start()
            if want is not None:
                await cast("Feed", outside).fetch([want])
    except TimeoutError:
        return f"it has not answered within {seconds:g} s; check its address and the network"
    except (FeedTroubleError, DeliveryError) as trouble:
        return str(trouble)
    finally:
        await asyncio.wait({asyncio.ensure_future(outside.stop())}, timeout=STOP_SECONDS)
    return None
