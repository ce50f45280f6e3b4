"""The readers of a station: sinks that accept events, fail, or accept them without confirming."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from scanner.ports import DeliveryError, DeliveryRefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.ports import Message
    from tests.worlds.world import World

REFUSED = 50
"""A sink in trouble finally refuses about one event in this many."""


@dataclass
class Reader:
    """The other end of a sink, over all lives of a station."""

    arrived: dict[str, str] = field(default_factory=dict)
    """The events that arrived, by id, in order of first arrival."""
    confirmed: set[str] = field(default_factory=set)
    """The events that the station in this life knows to have arrived."""
    settled: set[str] = field(default_factory=set)
    """The events marked as delivered in the store when this life began."""
    refused: set[str] = field(default_factory=set)
    repeats: int = 0


class WorldSink:
    """The sink to a reader in one life of a station."""

    wants_pictures = False

    def __init__(self, name: str, world: World, *, digests: bool, at_once: int) -> None:
        self.name, self.world, self.life = name, world, world.life
        self.digests, self.at_once = digests, at_once
        self.reader = world.readers[name]
        self.chance = world.plan.chance(f"sink {name} {world.life}")

    async def start(self) -> None:
        """Connect, unless there is trouble."""
        if self.world.sink_is_out(self.name):
            raise DeliveryError("nobody answers")

    async def stop(self) -> None:
        """Disconnect; in trouble that never ends."""
        if self.world.sink_is_out(self.name):
            await asyncio.sleep(10**6)

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Take messages as the world decides."""
        world, chance = self.world, self.chance
        if not world.lives(self.life):
            return
        for event in (message.event for message in messages):
            # The event of a late feed comes again if a store that cannot be written hides the earlier one.
            known = event.kind != "feed.late" and event.id in self.reader.settled
            if known or event.id in self.reader.confirmed:
                world.fault("delivered twice", f"{event.kind} {event.id} to {self.name}")
        await asyncio.sleep(chance.uniform(0.01, 0.2))
        troubled = world.has("sink-trouble")
        if world.sink_is_out(self.name):
            await asyncio.sleep(chance.choice((0.1, 5.0, 40.0)))
            world.count("sink failures")
            raise DeliveryError("nobody answers", chance.choice((None, None, 20.0)))
        refused = {each.event.id for each in messages if troubled and self._refuses(each.event.id)}
        if refused:
            self.reader.refused |= refused
            world.count("sink refusals")
            raise DeliveryRefusedError("such events are not taken here")
        if not world.lives(self.life):
            return
        for message in messages:
            event = message.event
            self.reader.repeats += event.id in self.reader.arrived
            same = self.reader.arrived.setdefault(event.id, event.to_json()) == event.to_json()
            if not same and event.kind != "feed.late":  # as above, it may come again with another reason
                world.fault("one id, two events", event.id)
        world.count("deliveries", len(messages))
        if troubled and chance.random() < 0.1:
            world.count("answers lost")
            await asyncio.sleep(chance.choice((0.1, 20.0)))
            raise DeliveryError("the line broke")
        self.reader.confirmed |= {each.event.id for each in messages}

    def _refuses(self, name: str) -> bool:
        return (int(name[:8], 16) + self.world.plan.seed) % REFUSED == 0
