"""Delivery: from the outbox to the sinks, at least once, in order within each thread."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING

from scanner.delivery.sink_delivery import Means, SinkDelivery
from scanner.ports import Notes
from scanner.store import StoreTroubleError
from scanner.wording.words import number_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from scanner.backoff import Pauses
    from scanner.clocks import Clock
    from scanner.configuration.model.tables import Quiet
    from scanner.events import Event
    from scanner.ports import Sink
    from scanner.store import Store

STORE_WITHIN = 20.0
"""Seconds allowed for an answer of the outbox."""
NO_SUCH_SINK = (
    "cannot be sent, since the configuration no longer has this sink; name a sink so again, or drop them with "
    "`closewatch outbox drop`"
)
GRACE = 0.8
"""Seconds for deliveries under way to end when the station stops; those that do not are sent again later."""


class Dispatcher:
    """Delivers events from the store's outbox, each sink in its own task, so that none slows another.

    What a sink could not take is retried for ever, after growing pauses; what it refuses for good is kept as dead.
    An event may be sent twice, with the same id: after a crash, or if an answer was lost.
    """

    def __init__(
        self,
        store: Store,
        sinks: Mapping[str, Sink],
        *,
        clock: Clock,
        pauses: Pauses,
        picture: Callable[[Event], bytes | None] = lambda _: None,
        notes: Callable[[Event], Notes] = lambda _: Notes(),
        quiet: Mapping[str, Quiet] | None = None,
        ceiling: Mapping[str, int] | None = None,
        stale_after: int = 3,
        tell: Callable[[str], None] = lambda _: None,
        store_within: float = STORE_WITHIN,
    ) -> None:
        """Take the store, and the sinks by their names in it.

        ``pauses`` are those after failures. ``picture`` draws the PNG chart of an event, or returns None, and ``notes``
        gives notes to an event of a setup; both are called in a thread. ``quiet`` and ``ceiling`` (per minute) are by
        sink. A setup is late more than ``stale_after`` bars after it was found. ``tell`` receives a sentence when a
        sink starts to fail, when it works again, when it refuses an event for good, and when events wait for a sink
        that is not among ``sinks``. If the store does not answer within ``store_within`` seconds, it is left alone for
        a while.
        """
        means = Means(store.outbox, clock, picture, notes, stale_after, tell, pauses, store_within)
        self._sinks = {
            name: SinkDelivery(name, sink, means, (quiet or {}).get(name), (ceiling or {}).get(name))
            for name, sink in sinks.items()
        }
        self._outbox, self._tell, self._store_within = store.outbox, tell, store_within

    def wake(self) -> None:
        """Check the outbox at once, since something new was put there; call it in the event loop's thread."""
        for one in self._sinks.values():
            one.wake()

    def pass_on(self, event: Event, sinks: Sequence[str]) -> None:
        """Send an event to sinks although the store cannot keep it; it is not sent again once the store has it."""
        for name in sinks:
            if name in self._sinks:
                self._sinks[name].pass_on(event)

    def troubles(self) -> dict[str, str]:
        """Give a sentence on each sink that is failing now."""
        return {name: one.trouble for name, one in self._sinks.items() if one.trouble}

    async def run(self, stop: asyncio.Event) -> None:
        """Start the sinks and deliver until told to stop; then stop the sinks."""
        telling = asyncio.create_task(self._tell_unsendable())
        tasks = [asyncio.create_task(one.run(stop)) for one in self._sinks.values()]
        stopping = asyncio.create_task(stop.wait())
        try:
            # The delivery to a sink ends only on request, unless it has a defect: then do not wait.
            await asyncio.wait({stopping, *tasks}, return_when=asyncio.FIRST_COMPLETED)
            self.wake()
        finally:
            stopping.cancel()
            telling.cancel()
            grace = GRACE if stop.is_set() else 0.0
            ended = await asyncio.gather(
                *(_end(one, task, grace) for one, task in zip(self._sinks.values(), tasks, strict=True))
            )
        for outcome in ended:
            if isinstance(outcome, Exception):
                raise outcome

    async def _tell_unsendable(self) -> None:
        """Say what waits for sinks that no longer exist; a store that cannot be read now has worse to report."""
        with suppress(StoreTroubleError, TimeoutError):
            async with asyncio.timeout(self._store_within):
                counts = await asyncio.to_thread(self._outbox.counts)
            for (name, state), count in counts.items():
                if state == "waiting" and name not in self._sinks:
                    self._tell(f"{name}: {number_of(count, 'delivery', 'deliveries')} {NO_SUCH_SINK}")


async def _end(one: SinkDelivery, running: asyncio.Task[None], grace: float) -> BaseException | None:
    """Let deliveries under way end within the grace period, and stop the sink; return the error, if any."""
    await asyncio.wait({running}, timeout=0.0 if one.is_starting else grace)
    running.cancel()
    (outcome,) = await asyncio.gather(running, return_exceptions=True)
    await one.close()
    return outcome
