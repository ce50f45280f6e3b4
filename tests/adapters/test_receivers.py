"""Who of the receivers of a sink gets a message that is tried again, whatever it is bundled with."""

from __future__ import annotations

from collections import defaultdict

from hypothesis import given
from hypothesis import strategies as st

from adapters.sinks.receivers import Receivers
from scanner.ports import Message
from tests.adapters.samples import setup_event

MESSAGES = [Message(setup_event(f"NO{number}")) for number in range(4)]
EVERYONE = ("A", "B", "C")

TRIES = st.lists(
    st.tuples(
        st.lists(st.sampled_from(range(4)), min_size=1, unique=True),
        st.frozensets(st.sampled_from(EVERYONE)),
    )
)


@given(TRIES)
def test_nobody_gets_a_parcel_they_have_and_everyone_gets_every_message(
    tries: list[tuple[list[int], set[str]]],
) -> None:
    receivers = Receivers(EVERYONE)
    has: dict[str, set[int]] = defaultdict(set)
    waiting = set(range(4))
    for numbers, accepting in tries:
        batch = [number for number in numbers if number in waiting]  # what has arrived is not sent again
        if not batch:
            continue
        messages = [MESSAGES[number] for number in batch]
        wanted = receivers.lacking(messages)
        assert wanted == [each for each in EVERYONE if not has[each].issuperset(batch)]
        reached = accepting.intersection(wanted)
        receivers.note(messages, reached)
        for each in reached:
            has[each].update(batch)
        if reached.issuperset(wanted):
            waiting -= set(batch)
            assert all(receivers.lacking([message]) == list(EVERYONE) for message in messages), "they are forgotten"


def test_what_never_reaches_everyone_is_forgotten_the_oldest_first() -> None:
    receivers = Receivers(EVERYONE, most=2)
    for message in MESSAGES[:3]:
        receivers.note([message], "A")
    assert [receivers.lacking([message]) for message in MESSAGES[:3]] == [["A", "B", "C"], ["B", "C"], ["B", "C"]]
