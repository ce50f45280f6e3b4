"""Trying feeds and sinks: whether each can be started, side by side."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from scanner.ports import DeliveryError, FeedTroubleError
from scanner.service.outside import build_feed, build_sink

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.ports import Feed, Sink
    from scanner.settings import Settings

SECONDS = 20.0
"""How long one may take to start."""
STOP_SECONDS = 5.0


async def try_all(settings: Settings, environ: Mapping[str, str], seconds: float = SECONDS) -> dict[str, str | None]:
    """Start and stop every feed and sink; None where that went well, else the sentence that says why it did not.

    The keys are such as ``feed provider``. SettingsError where one cannot even be made.
    """
    outside: dict[str, Feed | Sink] = {}
    for name in settings.feeds:
        outside[f"feed {name}"] = build_feed(name, settings, environ)
    for name in settings.sinks:
        outside[f"sink {name}"] = build_sink(name, settings, environ)
    troubles = await asyncio.gather(*(_tried(each, seconds) for each in outside.values()))
    return dict(zip(outside, troubles, strict=True))


async def _tried(each: Feed | Sink, seconds: float) -> str | None:
    try:
        async with asyncio.timeout(seconds):
            await each.start()
    except TimeoutError:
        return f"it has not started within {seconds:g} s; check its address and the network"
    except (FeedTroubleError, DeliveryError) as trouble:
        return str(trouble)
    finally:
        await asyncio.wait({asyncio.ensure_future(each.stop())}, timeout=STOP_SECONDS)
    return None
