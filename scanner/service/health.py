"""Health and metrics for other programs of this machine: a small HTTP server on loopback.

``/health`` answers 200 where the station watches, no feed is late and no sink fails, else 503, with the reasons as
JSON; ``/metrics`` answers in the Prometheus text format.
"""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from http import HTTPStatus
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from scanner.clocks import SECOND

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterator

    from prometheus_client.metrics_core import Metric

    from scanner.service.vitals import Vitals

LOOPBACK = "127.0.0.1"
LONGEST_REQUEST = 16_384
"""Bytes of a request's first line and headers."""
REQUEST_WITHIN = 5.0
"""Seconds that a request may take to arrive, and its answer to be taken."""

Answer = tuple[HTTPStatus, str, bytes]
"""Status, content type and body."""


class _Told(Collector):
    def __init__(self, vitals: Vitals) -> None:
        self.vitals = vitals

    def collect(self) -> Iterator[Metric]:
        """Give all that there is to measure."""
        told = self.vitals
        yield GaugeMetricFamily("closewatch_watching", "Whether bar closes are watched.", value=float(told.watching))
        yield CounterMetricFamily("closewatch_bars", "Bars taken in since the start.", value=told.bars)
        events = CounterMetricFamily("closewatch_events", "Events said since the start.", labels=["kind"])
        for kind, count in told.events.items():
            events.add_metric([kind], count)
        yield events
        lags = GaugeMetricFamily("closewatch_feed_lag_seconds", "Time since the first close missing.", labels=["feed"])
        late = GaugeMetricFamily("closewatch_feed_late", "Whether a feed is beyond its patience.", labels=["feed"])
        behind = GaugeMetricFamily("closewatch_feed_series_behind", "Series that lack a bar.", labels=["feed"])
        fetching = GaugeMetricFamily(
            "closewatch_feed_series_fetching", "Series of which more is coming.", labels=["feed"]
        )
        for name, feed in told.feeds.items():
            lags.add_metric([name], feed.lag)
            late.add_metric([name], float(feed.late))
            behind.add_metric([name], feed.behind)
            fetching.add_metric([name], feed.fetching)
        yield from (lags, late, behind, fetching)
        outbox = GaugeMetricFamily("closewatch_outbox", "Deliveries by sink and state.", labels=["sink", "state"])
        sinks = {sink for sink, _ in told.outbox}
        counted = {(sink, state): 0 for sink in sorted(sinks) for state in ("waiting", "dead")} | dict(told.outbox)
        for labels, count in counted.items():
            outbox.add_metric(labels, count)
        yield outbox
        if told.last_bar is not None:
            last = told.last_bar / SECOND
            yield GaugeMetricFamily("closewatch_last_bar_timestamp_seconds", "When the last bar closed.", value=last)


def metrics(vitals: Vitals) -> bytes:
    """Write how a station is in the Prometheus text format."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Told(vitals))
    return generate_latest(registry)


def answer(path: str, vitals: Vitals) -> Answer:
    """Say what a path holds."""
    if path == "/metrics":
        return HTTPStatus.OK, CONTENT_TYPE_LATEST, metrics(vitals)
    if path == "/health":
        status = HTTPStatus.SERVICE_UNAVAILABLE if vitals.reasons() else HTTPStatus.OK
        return status, "application/json", json.dumps(vitals.told(), ensure_ascii=False).encode() + b"\n"
    return HTTPStatus.NOT_FOUND, "text/plain; charset=utf-8", b"There are /health and /metrics here.\n"


class HealthServer:
    """Answers on a port of loopback while it is open; ``look`` sees how the station is. Port 0 takes any free one."""

    def __init__(self, port: int, look: Callable[[], Awaitable[Vitals]]) -> None:
        self.port = port
        self._look = look
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        """Begin to answer; OSError where the port is taken."""
        self._server = await asyncio.start_server(self._serve, LOOPBACK, self.port, limit=LONGEST_REQUEST)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Stop; harmless when never started."""
        if self._server is not None:
            self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # Whoever asks wrongly, slowly or goes away gets no answer, and troubles nobody else.
        with suppress(OSError, TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            async with asyncio.timeout(REQUEST_WITHIN):
                request = await reader.readuntil(b"\r\n\r\n")
                status, kind, body = await self._answered(request.partition(b"\r\n")[0].decode("latin-1").split(" "))
                head = (
                    f"HTTP/1.1 {status.value} {status.phrase}\r\nContent-Type: {kind}\r\n"
                    f"Content-Length: {len(body)}\r\nCache-Control: no-store\r\nConnection: close\r\n\r\n"
                )
                writer.write(head.encode() + (b"" if request.startswith(b"HEAD ") else body))
                await writer.drain()
        writer.close()

    async def _answered(self, words: list[str]) -> Answer:
        plain = "text/plain; charset=utf-8"
        match words:
            case ["GET" | "HEAD", path, version] if version.startswith("HTTP/1."):
                return answer(path.partition("?")[0], await self._look())
            case [_, _, version] if version.startswith("HTTP/1."):
                return HTTPStatus.METHOD_NOT_ALLOWED, plain, b"This can only be read.\n"
            case _:
                return HTTPStatus.BAD_REQUEST, plain, b"That is no HTTP request.\n"
