"""A sink with several receivers, one of whom fails: the others hear everything at once, and that one once it works."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.sinks.receivers import Receivers
from scanner.configuration.model.tables import Quiet
from scanner.ports import PartlyDeliveredError
from tests.delivery.tools import NAME, SECOND, PlannedSink, Time, deliver, say, store_with, told

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.ports import Message

HOUR = 3_600
STORIES = 10
BEGINS = datetime.fromtimestamp(Time().now() / SECOND, UTC)
NIGHT = Quiet(start=(BEGINS + timedelta(minutes=30)).time(), end=BEGINS.time(), zone="UTC")


class Two(PlannedSink):
    """Two receivers, of whom the second fails for some hours."""

    def __init__(self, time: Time, hours: float) -> None:
        super().__init__(time)
        self.until = hours * HOUR
        self.receivers = Receivers(("sound", "failing"))
        self.got: dict[str, list[tuple[float, str]]] = {"sound": [], "failing": []}

    async def deliver(self, messages: Sequence[Message]) -> None:
        wanted = self.receivers.lacking(messages)
        reached = [name for name in wanted if name == "sound" or self.time.passed >= self.until]
        self.receivers.note(messages, reached)
        for name in reached:
            self.got[name] += [(self.time.passed, message.event.id) for message in messages]
        if len(reached) < len(wanted):
            raise PartlyDeliveredError("the second does not answer")


@pytest.mark.parametrize("ceiling", [{}, {NAME: 30}])
async def test_a_receiver_who_fails_delays_no_other_and_gets_all_of_it_in_the_end(ceiling: dict[str, int]) -> None:
    time = Time()
    two, sentences = Two(time, hours=2), list[str]()
    setups = [told(number) for number in range(STORIES)]
    later = [told(100 + number, thread=number) for number in range(STORIES)]
    with store_with(time, setups) as store:

        def over() -> bool:
            if time.passed >= HOUR and len(store.outbox.list()) == STORIES:
                say(store, later)
            return store.outbox.counts() == {(NAME, "delivered"): 2 * STORIES}

        await deliver(store, time, {NAME: two}, until=over, ceiling=ceiling, tell=sentences.append)
    assert two.got["sound"][STORIES][0] >= HOUR
    for events, begun, heard in ((setups, 0, two.got["sound"][:STORIES]), (later, HOUR, two.got["sound"][STORIES:])):
        assert [name for _, name in heard] == [event.id for event in events]
        assert max(when for when, _ in heard) < begun + 60
    assert [name for _, name in two.got["failing"]] == [event.id for event in setups + later]
    assert 2 * HOUR <= max(when for when, _ in two.got["failing"]) < 2 * HOUR + 15 * 60
    assert sentences == [
        f"{NAME}: the second does not answer; closewatch keeps trying until it works",
        f"{NAME}: works again",
    ]


async def test_what_a_receiver_has_not_accepted_for_a_day_is_given_up_and_kept_on_record() -> None:
    """Else whoever has it would get all of it again after each restart, which forgets who has what."""
    time = Time()
    two, sentences = Two(time, hours=1_000), list[str]()
    with store_with(time, [told(number) for number in range(STORIES)]) as store:
        await deliver(store, time, {NAME: two}, horizon=25 * HOUR, tell=sentences.append)
        assert store.outbox.counts() == {(NAME, "dead"): STORIES}
        assert {each.error for each in store.outbox.list()} == {"given up after a day: the second does not answer"}
    assert time.passed > 24 * HOUR
    assert sum("given up after a day, since not all receivers accept them" in each for each in sentences) == 1


async def test_what_one_receiver_lacks_does_not_silence_an_exit_for_the_other() -> None:
    time = Time()
    two = Two(time, hours=2)
    with store_with(time, [told(0)]) as store:

        def over() -> bool:
            if time.passed >= HOUR and len(store.outbox.list()) == 1:
                say(store, [told(1, thread=0)])
            return time.passed > HOUR + 60

        await deliver(store, time, {NAME: two}, until=over, quiet={NAME: NIGHT})
    assert [name for _, name in two.got["sound"]] == [told(0).id, told(1, thread=0).id]
