"""The path of events to one sink."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from scanner.clocks import SECOND
from scanner.delivery.behind import Behind
from scanner.delivery.bundling import LARGEST, least_tried, parcels, waves
from scanner.delivery.ceiling import Ceiling
from scanner.delivery.late import is_over, too_late
from scanner.delivery.past_outbox import PastOutbox
from scanner.delivery.quiet import cannot_wait, last_quiet_end, quiet_until
from scanner.ports import DeliveryError, DeliveryRefusedError, Message, Notes, PartlyDeliveredError, contained
from scanner.store.trouble import NO_ANSWER, StoreDamagedError, StoreTroubleError
from scanner.wording.text import SENTENCE, plain
from scanner.wording.words import number_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.backoff import Pauses
    from scanner.clocks import Clock
    from scanner.configuration.model.tables import Quiet
    from scanner.delivery.bundling import Parcel
    from scanner.events import Event
    from scanner.ports import Sink
    from scanner.store.outbox import Delivery, Outbox

T = TypeVar("T")
LOADED = 1_000
"""Deliveries read from the outbox at a time."""
CHECK_SECONDS = 5.0
"""Seconds after which the outbox is checked again, since other programs may change it."""
AT_LEAST = 0.1
"""Fewest seconds of rest if nothing can be sent."""
DIGEST_TRIES = 3
"""Failures in a row after which digests are no longer tried, so that one event in them cannot hold up the others."""
MOST_PICTURES = 10
"""Most charts in one digest."""
PICTURE_SECONDS = 10.0
STOP_SECONDS = 0.8
"""Seconds for a sink to stop; with those for deliveries to end, two in all."""


@dataclass
class WaveResult:
    """The result of a wave: which deliveries arrived, also in part, which failed, and which the sink refused."""

    arrived: list[Delivery] = field(default_factory=list)
    late: set[int] = field(default_factory=set)
    failed: list[tuple[Parcel, DeliveryError]] = field(default_factory=list)
    partly: list[tuple[Parcel, PartlyDeliveredError]] = field(default_factory=list)
    refused: list[tuple[Parcel, DeliveryRefusedError]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Means:
    """What the deliveries to all sinks share; see ``Dispatcher``. Pictures are drawn one at a time."""

    outbox: Outbox
    clock: Clock
    picture: Callable[[Event], bytes | None]
    notes: Callable[[Event], Notes]
    stale_after: int
    tell: Callable[[str], None]
    pauses: Pauses
    store_within: float
    drawing: asyncio.Lock = field(default_factory=asyncio.Lock)


class SinkDelivery:
    """Delivers the events of the outbox to one sink."""

    def __init__(self, name: str, sink: Sink, means: Means, quiet: Quiet | None, ceiling: int | None) -> None:
        self.trouble = ""
        self.is_starting = False
        """Whether the sink is starting, so that no delivery is under way that might still arrive."""
        self._name = name
        self._sink = sink
        self._means = means
        self._outbox = means.outbox
        self._now = means.clock.now
        self._tell = means.tell
        self._quiet = quiet
        self._ceiling = Ceiling(ceiling)
        self._woken = asyncio.Event()
        self._started = False
        self._failures = 0
        self._paused = self._resume = 0
        """When the last pause of the sink began, and when it ends."""
        self._alone: set[int] = set()
        self._behind = Behind(means.pauses)
        self._unmarked: list[Callable[[], object]] = []
        self._past = PastOutbox()

    def pass_on(self, event: Event) -> None:
        """Send an event that the outbox cannot take; once the outbox has it, it is not sent again."""
        self._past.add(event)
        self.wake()

    def wake(self) -> None:
        """Check the outbox at once."""
        self._woken.set()

    async def run(self, stop: asyncio.Event) -> None:
        """Deliver until told to stop."""
        troubles = 0
        while not stop.is_set():
            self._woken.clear()
            try:
                rest = await self._round(stop)
                troubles = 0
            except StoreDamagedError:
                raise  # nothing would be sent any more, which must not go unnoticed
            except StoreTroubleError as trouble:
                troubles += 1
                if troubles == 1:
                    self._tell(f"{self._name}: {trouble}")
                rest = self._means.pauses.after(troubles)
            if rest > 0 and not stop.is_set():
                await self._rest(rest)

    async def close(self) -> None:
        """Stop the sink."""
        try:
            async with asyncio.timeout(STOP_SECONDS):
                await contained(self._sink.stop())
        except Exception as error:  # noqa: BLE001 - whatever the error, the others must be stopped too
            self._tell(f"{self._name}: it did not stop: {str(error) or 'it hangs'}")

    async def _round(self, stop: asyncio.Event) -> float:
        """Send what can be sent now; return the seconds to rest until there may be more."""
        await self._pass_on()
        await self._mark()
        now = self._now()
        if self._rests(now):
            return (self._resume - now) / SECOND
        if not self._started:
            if not await self._start():
                return (self._resume - self._now()) / SECOND
            self._well()
        silent_until = None if self._quiet is None else quiet_until(self._quiet, now)
        limit = LOADED if silent_until is None else -1
        due, next_try = await self._stored(lambda: self._waiting(now, limit))
        if self._settled(due, now):
            return 0.0
        ready = self._behind.choose(due if silent_until is None else _urgent(due), now)
        if not ready:  # until something may be due, by the clock or because the outbox was changed
            until = next_try if silent_until is None else silent_until
            return CHECK_SECONDS if until is None else min(max((until - now) / SECOND, AT_LEAST), CHECK_SECONDS)
        room = self._ceiling.room(now)
        if room == 0:
            return (self._ceiling.opens() - now) / SECOND
        for wave in self._waves(ready, now, room):
            if stop.is_set() or not await self._hand_over(wave):
                break
        return 0.0

    def _waiting(self, now: int, limit: int) -> tuple[list[Delivery], int | None]:
        """Give the deliveries that are due; without any, when the next one is."""
        due = self._outbox.due(now, self._name, limit, self._behind.lacking)
        return due, None if due else self._outbox.next_try(now, self._name)

    def _settled(self, due: Sequence[Delivery], now: int) -> bool:
        """Note deliveries that need no longer be sent: they were sent already, or are of no use any more."""
        if settled := [each.number for each in self._past.settle(due)]:
            self._unmarked.append(partial(self._outbox.delivered, settled))
        if over := [each.number for each in due if is_over(each.event, now)]:
            self._unmarked.append(partial(self._outbox.drop, over))
        if old := self._behind.give_up(now):
            self._unmarked.append(partial(self._outbox.dead, old, f"given up after a day: {self.trouble}"))
            what = number_of(len(old), "delivery was", "deliveries were")
            self._tell(f"{self._name}: {what} given up after a day, since not all receivers accept them")
        return bool(settled or over or old)

    async def _pass_on(self) -> None:
        """Send what goes without the outbox, one after the other."""
        for event in self._past.waiting():
            now = self._now()
            silent = self._quiet is not None and quiet_until(self._quiet, now) is not None
            if self._rests(now) or (silent and not cannot_wait(event)):
                continue
            if not self._started and not await self._start():
                return
            self._ceiling.count(now, 1)
            try:
                await contained(self._sink.deliver([Message(event)]))
            except PartlyDeliveredError as error:
                self._past.leave(event)
                self._complain(error)
            except DeliveryRefusedError as error:
                self._past.leave(event)  # or it would hold up all others
                self._pause(error)
            except Exception as error:  # noqa: BLE001 - a defect of a sink must not end the others
                self._pause(_of_delivery(error))
            else:
                self._well()
                self._past.arrived(event)

    def _waves(self, ready: Sequence[Delivery], now: int, room: int | None) -> list[list[Parcel]]:
        """Decide what is sent together, and in which order."""
        self._alone &= {each.number for each in ready}
        if self._failures:
            room = None  # choose the try among all
        if not self._sink.digests:
            packed: list[Parcel] = [(each,) for each in ready[:room]]
        else:
            over = 0 if self._quiet is None else last_quiet_end(self._quiet, now)
            waited = {each.number for each in ready if each.event.time < over}
            packed = parcels(ready, waited, self._alone, room, LARGEST if self._failures < DIGEST_TRIES else 1)
        # After a failure, one try shows whether it is over.
        return [[least_tried(packed)]] if self._failures else waves(packed, self._alone, self._sink.at_once)

    async def _hand_over(self, wave: Sequence[Parcel]) -> bool:
        """Send a wave and keep its result; return whether more may follow at once."""
        outcome = WaveResult()
        self._ceiling.count(self._now(), len(wave))
        await asyncio.gather(*(self._try(parcel, outcome) for parcel in wave))
        single = len(wave) == 1 and len(wave[0]) == 1
        if single and outcome.refused and not await self._start():
            # The event is not at fault: the other side rejects our login.
            outcome.failed.extend(outcome.refused)
            outcome.refused = []
        if outcome.arrived or (outcome.refused and single):
            self._well()
        self._keep(outcome, single=single)
        await self._mark()
        return not outcome.failed and not (outcome.refused and not single)

    async def _try(self, parcel: Parcel, outcome: WaveResult) -> None:
        now = self._now()
        late = {each.number for each in parcel if each.late or too_late(each.event, now, self._means.stale_after)}
        # A digest shows the newest first.
        latest = parcel[-MOST_PICTURES:]
        pictures: list[bytes | None] = [None] * (len(parcel) - len(latest))
        pictures += [await self._drawn(each.event) for each in latest]
        noted = await self._noted([each.event for each in parcel])
        messages = [
            Message(each.event, picture, each.number in late, notes)
            for each, picture, notes in zip(parcel, pictures, noted, strict=True)
        ]
        try:
            await contained(self._sink.deliver(messages))
        except PartlyDeliveredError as error:
            outcome.partly.append((parcel, error))
        except DeliveryRefusedError as error:
            outcome.refused.append((parcel, error))
        except Exception as error:  # noqa: BLE001 - a defect of a sink must neither lose an event nor end the others
            outcome.failed.append((parcel, _of_delivery(error)))
        else:
            outcome.arrived += parcel
            outcome.late |= late

    async def _noted(self, events: Sequence[Event]) -> list[Notes]:
        """Find the notes to events of setups; without them the events are sent anyway."""

        def find() -> list[Notes | Exception]:
            return [self._notes_to(event) for event in events]

        if not any(event.facts.about == "setup" for event in events):
            return [Notes()] * len(events)
        found: Sequence[Notes | Exception]
        try:
            found = await self._stored(find)
        except StoreTroubleError as error:
            found = [error] * len(events)
        for event, notes in zip(events, found, strict=True):
            if isinstance(notes, Exception):
                self._tell(f"{self._name}: no notes for {event.id} ({notes})")
        return [Notes() if isinstance(notes, Exception) else notes for notes in found]

    def _notes_to(self, event: Event) -> Notes | Exception:
        try:
            return self._means.notes(event) if event.facts.about == "setup" else Notes()
        except Exception as error:  # noqa: BLE001 - whatever fails, the alert matters more
            return error

    async def _drawn(self, event: Event) -> bytes | None:
        """Draw the picture if the sink wants one; without it the event is sent anyway."""
        if not self._sink.wants_pictures:
            return None
        try:
            async with asyncio.timeout(PICTURE_SECONDS), self._means.drawing:
                return await asyncio.to_thread(self._means.picture, event)
        except Exception as error:  # noqa: BLE001 - whatever fails, the text matters more
            self._tell(f"{self._name}: no picture for {event.id} ({str(error) or 'it took too long'})")
        return None

    def _keep(self, outcome: WaveResult, *, single: bool) -> None:
        """Note the result of a wave, to be marked in the outbox."""
        outbox, note = self._outbox, self._unmarked.append
        if outcome.arrived:
            for each in outcome.arrived:
                self._past.arrived(each.event)
            numbers = [each.number for each in outcome.arrived]
            self._behind.done(numbers)
            note(partial(outbox.delivered, numbers, late=outcome.late))
        for parcel, lack in outcome.partly:
            self._failures = 0
            self._complain(lack)
            numbers = [each.number for each in parcel]
            note(partial(outbox.failed, numbers, self._behind.fall(numbers, self._now()), str(lack)))
        for parcel, refusal in outcome.refused:
            if single:
                event = parcel[0].event
                self._tell(f"{self._name}: {event.kind} {event.id} was refused for good: {refusal}")
                self._behind.done([parcel[0].number])
                note(partial(outbox.dead, [parcel[0].number], str(refusal)))
            else:
                # One of many may be at fault.
                self._alone |= {each.number for each in parcel}
        if not outcome.failed:
            return
        healthy = not self._failures
        pause = self._pause(max((error for _, error in outcome.failed), key=lambda error: error.retry_after or 0.0))
        for parcel, error in outcome.failed:
            # One event on which a healthy sink fails waits longer each time; if all fail, all wait alike.
            tries = max(each.attempts for each in parcel) + 1
            own = self._means.pauses.asked(tries, error.retry_after) if healthy else pause
            again = self._now() + int(own * SECOND)
            note(partial(outbox.failed, [each.number for each in parcel], again, str(error)))

    async def _mark(self) -> None:
        """Write the noted results to the outbox; what cannot be written now is written before anything else is sent."""
        while self._unmarked:
            await self._stored(self._unmarked[0])
            del self._unmarked[0]

    async def _stored(self, work: Callable[[], T]) -> T:
        """Call the outbox in a thread; StoreTroubleError if that does not end, as on a failing disk."""
        try:
            async with asyncio.timeout(self._means.store_within):
                return await asyncio.to_thread(work)
        except TimeoutError:
            raise StoreTroubleError(NO_ANSWER) from None

    async def _start(self) -> bool:
        """Start the sink, or check again whether its login works."""
        self.is_starting = True
        try:
            await contained(self._sink.start())
        except Exception as error:  # noqa: BLE001 - a defect of a sink must not end the others
            self._pause(_of_delivery(error))
        else:
            self._started = True
            return True
        finally:
            self.is_starting = False
        return False

    def _pause(self, error: DeliveryError) -> float:
        """Pause the sink for a time that grows with each failure in a row; return its seconds."""
        self._failures += 1
        pause = self._means.pauses.asked(self._failures, error.retry_after)
        self._paused = self._now()
        self._resume = self._paused + int(pause * SECOND)
        self._complain(error)
        return pause

    def _complain(self, error: DeliveryError) -> None:
        if not self.trouble:
            self._tell(f"{self._name}: {error}; closewatch keeps trying until it works")
        self.trouble = str(error)

    def _rests(self, now: int) -> bool:
        """Say whether the sink is paused; a pause that began later than now is from before a clock set back."""
        return self._paused <= now < self._resume

    def _well(self) -> None:
        self._failures = 0
        if self.trouble:
            self._tell(f"{self._name}: works again")
        self.trouble = ""

    async def _rest(self, seconds: float) -> None:
        """Sleep until woken, at most a number of seconds."""
        waiting = {asyncio.ensure_future(self._means.clock.sleep(seconds)), asyncio.create_task(self._woken.wait())}
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for each in waiting:
                each.cancel()


def _of_delivery(error: Exception) -> DeliveryError:
    """Make a delivery error of whatever a sink raised."""
    if isinstance(error, DeliveryError):
        return error
    return DeliveryError(plain(f"{type(error).__name__}: {error}", SENTENCE))


def _urgent(due: Sequence[Delivery]) -> list[Delivery]:
    """Give what may break the silence: events that follow an alert already sent, not one still waiting here."""
    waiting: set[str] = set()
    urgent = []
    for each in due:
        if cannot_wait(each.event) and each.event.thread not in waiting:
            urgent.append(each)
        elif each.event.thread:
            waiting.add(each.event.thread)
    return urgent
