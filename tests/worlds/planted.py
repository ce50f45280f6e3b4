"""Defects planted in a station, each a small change of one part, to check that the laws find them."""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import replace
from itertools import repeat
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.events import event_id
from scanner.market.bars import NO_BARS, Bars
from scanner.service.addressing import Addressing
from scanner.service.changes.decided import Decided
from scanner.service.desk import Desk
from scanner.service.station import Station
from scanner.store import SeriesUpdate
from scanner.store.outbox import Outbox
from scanner.wording.tables import table
from tests.service.harbour import at_rest
from tests.worlds.disk import WorldDatabase, opened
from tests.worlds.plan import Plan
from tests.worlds.running import outcome, silent, workers
from tests.worlds.world import Parts, World, WorldStore

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

    from scanner.events import Event
    from scanner.pipeline import Pipeline
    from scanner.service.schedule.timers import Group
    from scanner.store import Batch, Said, Store
    from scanner.store.outbox import Delivery

MOST = 500
"""Worlds within which a defect must show."""
NOW_AND_THEN = 10


class Planted(Parts):
    """A station with a defect that acts now and then."""

    def __init__(self) -> None:
        self._asked = 0

    def strikes(self) -> bool:
        """Whether the defect acts this time."""
        self._asked += 1
        return self._asked % NOW_AND_THEN == 0

    def batch(self, batch: Batch, now: int) -> Batch | None:
        """Change what is to be stored; None loses all of it."""
        del now
        return batch

    def outbox(self, store: Store) -> Outbox:
        """Make the outbox."""
        return store.outbox

    def store(self, world: World) -> Store:
        """Open the store with the defect."""
        store = opened(ChangedStore, world)
        store.world, store.planted = world, self
        store.outbox = self.outbox(store)
        return store


class ChangedStore(WorldStore):
    """A store that stores batches as changed by a planted defect."""

    planted: Planted

    def commit(self, batch: Batch) -> list[Event]:
        """Keep something."""
        changed = self.planted.batch(_apart(batch), self.clock())
        return [each.event for each in batch.said] if changed is None else super().commit(changed)


def _apart(batch: Batch) -> Batch:
    """Give a batch with each update on its own, none in columns."""
    updates = list(batch.updates)
    for each in batch.together:
        ends = np.cumsum(each.counts).tolist()
        for place, (key, end, count) in enumerate(zip(each.keys, ends, each.counts.tolist(), strict=True)):
            kept = each.states[place], each.checkpoints.get(place, b"")
            updates.append(SeriesUpdate(key, each.bars[end - count : end], *kept))
    return replace(batch, updates=updates, together=())


class LostCommit(Planted):
    """A batch is silently not stored."""

    def batch(self, batch: Batch, now: int) -> Batch | None:
        """Lose it."""
        del now
        return None if batch.updates and self.strikes() else batch


class ForgottenRow(Planted):
    """An event is stored, and one of its sinks forgotten."""

    def batch(self, batch: Batch, now: int) -> Batch:
        """Forget the last sink."""
        del now
        return replace(
            batch, said=[s._replace(sinks=s.sinks[:-1]) if s.sinks and self.strikes() else s for s in batch.said]
        )


class IdOfTheTime(Planted):
    """The id of an event that follows a setup depends on when it is sent."""

    def batch(self, batch: Batch, now: int) -> Batch:
        """Give other ids."""
        return replace(batch, said=[self._other(each, now) for each in batch.said])

    def _other(self, said: Said, now: int) -> Said:
        if not said.event.facts.follows or not self.strikes():
            return said
        return said._replace(event=replace(said.event, id=event_id(said.event.id, str(now))))


class NotWithdrawn(Planted):
    """A setup that no longer holds is not withdrawn."""

    def batch(self, batch: Batch, now: int) -> Batch:
        """Leave withdrawals out."""
        del now
        return replace(batch, said=[each for each in batch.said if each.event.kind != "setup.withdrawn"])


class StaleState(Planted):
    """Bars are stored, but not the state of the engine after them."""

    def __init__(self) -> None:
        super().__init__()
        self._states: dict[str, bytes] = {}

    def batch(self, batch: Batch, now: int) -> Batch:
        """Store the previous state."""
        del now
        return replace(batch, updates=[self._stale(each) for each in batch.updates])

    def _stale(self, update: SeriesUpdate) -> SeriesUpdate:
        before = self._states.get(update.key.instrument)
        if not update.state or (before is not None and len(update.bars) and self.strikes()):
            return update if before is None or not update.state else replace(update, state=before)
        self._states[update.key.instrument] = update.state
        return update


class CoarserLost(Planted):
    """A coarser bar is judged but not stored."""

    def batch(self, batch: Batch, now: int) -> Batch:
        """Leave it out."""
        del now
        updates = [
            replace(each, bars=Bars.of([]))
            if each.key.timeframe != "1m" and not self._told(batch) and self.strikes()
            else each
            for each in batch.updates
        ]
        return replace(batch, updates=updates)

    @staticmethod
    def _told(batch: Batch) -> bool:
        return any(each.series is not None and each.series.timeframe != "1m" for each in batch.said)


class NoSummary(Planted):
    """Setups that came too late to be sent are in no summary."""

    def batch(self, batch: Batch, now: int) -> Batch:
        """Leave summaries out."""
        del now
        return replace(batch, said=[each for each in batch.said if each.event.kind != "station.caught_up"])


class NotSynced(Planted):
    """Stored data is not synced to the disk."""

    def store(self, world: World) -> Store:
        """Open the store with the defect."""
        store = super().store(world)
        store.database.__class__ = CarelessDatabase
        return store


class CarelessDatabase(WorldDatabase):
    """A database whose transactions are never durable."""

    @contextmanager
    def writing(self, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """Begin a transaction that a power cut may undo."""
        del durable
        with super().writing(durable=False) as connection:
            yield connection


class ChangedOutbox(Outbox):
    """An outbox with a defect."""

    planted: Planted


class OutboxPlanted(Planted):
    """A station with a defect in its outbox."""

    Kind: type[ChangedOutbox] = ChangedOutbox

    def outbox(self, store: Store) -> Outbox:
        """Make the outbox with the defect."""
        made = self.Kind(store.database, store.clock)
        made.planted = self
        return made


class DoubledDelivery(OutboxPlanted):
    """Deliveries that arrived are not always marked, and go out again."""

    class Kind(ChangedOutbox):
        """Forgets marks."""

        def delivered(self, numbers: Iterable[int], *, late: Collection[int] = ()) -> None:
            """Mark, or forget it."""
            if not self.planted.strikes():
                super().delivered(numbers, late=late)


class WrongOrder(OutboxPlanted):
    """The last event is sent first."""

    class Kind(ChangedOutbox):
        """Reverses the order."""

        def due(self, now: int, sink: str, limit: int, sent: Collection[int] = ()) -> list[Delivery]:
            """Give deliveries in reverse order."""
            found = super().due(now, sink, limit, sent)
            return found[::-1]


class MarkedTooEarly(OutboxPlanted):
    """Deliveries count as delivered before they are sent."""

    class Kind(ChangedOutbox):
        """Marks before anything has arrived."""

        def due(self, now: int, sink: str, limit: int, sent: Collection[int] = ()) -> list[Delivery]:
            """Give deliveries, and mark them."""
            found = super().due(now, sink, limit, sent)
            self.delivered([each.number for each in found])
            return found


class GivenUp(OutboxPlanted):
    """Failed deliveries are sometimes given up instead of retried."""

    class Kind(ChangedOutbox):
        """Gives up failed deliveries."""

        def failed(self, numbers: Iterable[int], next_try: int, error: str) -> None:
            """Try again, or not."""
            if self.planted.strikes():
                self.dead(numbers, error)
            else:
                super().failed(numbers, next_try, error)


class StationPlanted(Planted):
    """A station with a defect of its own."""

    Kind: type[Station] = Station

    def station(self, *parts: Any, **more: Any) -> Station:  # noqa: ANN401 - those of Station
        """Make it with the defect."""
        made = self.Kind(*parts, **more)
        made.planted = self  # type: ignore[attr-defined]  # for its own methods alone
        return made


class SkippedClose(StationPlanted):
    """A bar close is slept through now and then."""

    class Kind(Station):
        """Sleeps through closes."""

        planted: Planted

        async def _close(self, group: Group, close: int) -> None:
            if not self.planted.strikes():
                await super()._close(group, close)


class Leak(StationPlanted):
    """Requests are never forgotten."""

    class Kind(Station):
        """Remembers all closes."""

        planted: Planted
        asked: list[object]

        async def _close(self, group: Group, close: int) -> None:
            self.asked = [*getattr(self, "asked", []), *self._asks(group, close)]
            await super()._close(group, close)


class SlowStop(StationPlanted):
    """A stop waits for answers of feeds."""

    class Kind(Station):
        """Waits."""

        planted: Planted

        async def _stop(self, *tasks: Any) -> None:  # noqa: ANN401 - tasks
            for intake in self.intakes.values():
                await at_rest(intake, 60)
            await super()._stop(*tasks)


class SwallowedRestatement(StationPlanted):
    """Restated bars are not taken."""

    class Kind(Station):
        """Has another desk."""

        planted: Planted

        def __init__(self, *parts: Any, **more: Any) -> None:  # noqa: ANN401 - those of Station
            super().__init__(*parts, **more)
            self.desk.__class__ = DeafDesk


class DeafDesk(Desk):
    """A desk that never notices a restated bar."""

    def _beyond_doubt(self, *_: Any) -> Bars:  # noqa: ANN401 - whatever it is given
        return NO_BARS


class OldNews(StationPlanted):
    """A setup is sent however late it was found."""

    class Kind(Station):
        """Treats everything as news."""

        planted: Planted

        def __init__(self, *parts: Any, **more: Any) -> None:  # noqa: ANN401 - those of Station
            super().__init__(*parts, **more)
            self.desk.addressing = Addressing(self.store, self.route, 10**6, lambda: self.desk.watched)


class LostDecision(StationPlanted):
    """Decisions are forgotten at a start."""

    class Kind(Station):
        """Notices only decisions made while it watches."""

        planted: Planted

        def __init__(self, *parts: Any, **more: Any) -> None:  # noqa: ANN401 - those of Station
            super().__init__(*parts, **more)
            self.desk._decided = Forgetful(self.store)


class Forgetful(Decided):
    """Treats earlier decisions as already passed on."""

    def begin(self, pipelines: Mapping[str, Pipeline]) -> None:
        """Pass on nothing."""
        del pipelines
        found = self._store.decisions.after()
        self.last = max(self.last, found[-1][1].number if found else 0)


DEFECTS: tuple[type[Planted], ...] = (
    LostCommit,
    NotSynced,
    StaleState,
    CoarserLost,
    ForgottenRow,
    DoubledDelivery,
    WrongOrder,
    MarkedTooEarly,
    GivenUp,
    SkippedClose,
    SwallowedRestatement,
    NotWithdrawn,
    IdOfTheTime,
    LostDecision,
    NoSummary,
    OldNews,
    SlowStop,
    Leak,
)


def found_after(defect: type[Planted], seed: int, most: int = MOST) -> tuple[int, str]:
    """Give after how many worlds a defect shows, and how; 0 if it does not."""
    with silent():
        for number in range(most):
            faults = outcome(Plan.of(seed + number), defect).faults
            if faults:
                return number + 1, faults[0]
    return 0, ""


def show(seed: int, defects: Sequence[type[Planted]] = DEFECTS, tell: Callable[[str], object] = print) -> int:
    """Plant each defect and print after how many worlds it shows; returns 1 if one does not."""
    with workers(len(os.sched_getaffinity(0))) as pool:
        found = list(pool.map(found_after, defects, repeat(seed)))
    rows = [
        ((defect.__doc__ or "").partition("\n")[0], f"{after:,}" if after else "NEVER", fault.partition(":")[0])
        for defect, (after, fault) in zip(defects, found, strict=True)
    ]
    tell("\n".join(table(("defect", "found after so many worlds", "by the fault"), rows, left=(0, 2))))
    return int(any(not after for after, _ in found))
