"""Health and metrics for other programs on this machine: a small HTTP server on loopback.

``/health`` answers 200 if the station watches, no feed is late and no sink fails, else 503, with the reasons as
JSON; ``/metrics`` answers in the Prometheus text format.
"""

from __future__ import annotations

import asyncio
import json
from http import HTTPStatus
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from starlette.applications import Starlette
from starlette.responses import Response
from starlette.routing import Route

from scanner.clocks import SECOND
from scanner.web.serving import listener, server

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterator

    from prometheus_client.metrics_core import Metric
    from starlette.requests import Request

    from scanner.service.health_state import StationHealth


class _Told(Collector):
    def __init__(self, health: StationHealth) -> None:
        self.health = health

    def collect(self) -> Iterator[Metric]:
        """Give all metrics."""
        told = self.health
        yield GaugeMetricFamily("closewatch_watching", "Whether bar closes are watched.", value=float(told.watching))
        yield CounterMetricFamily("closewatch_bars", "Bars taken in since the start.", value=told.bars)
        events = CounterMetricFamily("closewatch_events", "Events said since the start.", labels=["kind"])
        for kind, count in told.events.items():
            events.add_metric([kind], count)
        yield events
        for what, words, name_of in (
            ("lag_seconds", "Time since the first close missing.", "lag"),
            ("late", "Whether a feed is beyond its patience.", "late"),
            ("series_behind", "Series that lack a bar.", "behind"),
            ("series_fetching", "Series of which more is coming.", "fetching"),
        ):
            of_feeds = GaugeMetricFamily(f"closewatch_feed_{what}", words, labels=["feed"])
            for name, feed in told.feeds.items():
                of_feeds.add_metric([name], float(getattr(feed, name_of)))
            yield of_feeds
        outbox = GaugeMetricFamily("closewatch_outbox", "Deliveries by sink and state.", labels=["sink", "state"])
        sinks = {sink for sink, _ in told.outbox}
        counted = {(sink, state): 0 for sink in sorted(sinks) for state in ("waiting", "dead")} | dict(told.outbox)
        for labels, count in counted.items():
            outbox.add_metric(labels, count)
        yield outbox
        if told.last_bar is not None:
            last = told.last_bar / SECOND
            yield GaugeMetricFamily("closewatch_last_bar_timestamp_seconds", "When the last bar closed.", value=last)


def metrics(health: StationHealth) -> bytes:
    """Write the state of a station in the Prometheus text format."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Told(health))
    return generate_latest(registry)


def application(look: Callable[[], Awaitable[StationHealth]]) -> Starlette:
    """Make the application that answers; ``look`` gives the state of the station."""

    async def health(_: Request) -> Response:
        found = await look()
        status = HTTPStatus.SERVICE_UNAVAILABLE if found.reasons() else HTTPStatus.OK
        body = json.dumps(found.told(), ensure_ascii=False).encode() + b"\n"
        return Response(body, status, {"Cache-Control": "no-store"}, "application/json")

    async def measured(_: Request) -> Response:
        headers = {"Content-Type": CONTENT_TYPE_LATEST, "Cache-Control": "no-store"}
        return Response(metrics(await look()), headers=headers)

    async def nothing(_: Request, __: Exception) -> Response:
        return Response("There are /health and /metrics here.\n", HTTPStatus.NOT_FOUND, media_type="text/plain")

    async def only_read(_: Request, __: Exception) -> Response:
        return Response("This can only be read.\n", HTTPStatus.METHOD_NOT_ALLOWED, media_type="text/plain")

    routes = [Route("/health", health), Route("/metrics", measured)]
    return Starlette(routes=routes, exception_handlers={404: nothing, 405: only_read})


class HealthServer:
    """Answers on a loopback port while it is open; ``look`` gives the station's state. Port 0 takes any free port."""

    def __init__(self, port: int, look: Callable[[], Awaitable[StationHealth]]) -> None:
        self.port = port
        self._server = server(application(look))
        self._serving: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begin to answer; OSError if the port is in use."""
        opened = listener(self.port)
        self.port = opened.getsockname()[1]
        self._serving = asyncio.create_task(self._server.serve([opened]))

    async def stop(self) -> None:
        """Stop; harmless if never started."""
        if self._serving is not None:
            self._server.should_exit = True
            await self._serving
            self._serving = None
