"""The outbox keeps the order within a thread, and forgets nothing that was not delivered."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from scanner.store import Batch, Store, StoreTroubleError
from scanner.store.events import KEPT
from scanner.store.upkeep.check import check
from tests.store.samples import GANNET, START, said, update

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.store import Delivery

SECOND = 1_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Give a store with three events of one thread and one without a thread, for two sinks."""
    with Store.open(tmp_path / "closewatch.db", lambda: START) as opened:
        told = [said(GANNET, minute, ["mqtt", "email"], thread) for minute, thread in enumerate(["a", "a", "", "a"])]
        opened.commit(Batch([update(GANNET, 0, 4)], said=told))
        yield opened


def minutes(deliveries: list[Delivery]) -> list[int]:
    return [round(each.event.data["price"]) for each in deliveries]


def test_what_is_due_comes_in_order_and_up_to_a_limit(store: Store) -> None:
    assert minutes(store.outbox.due(START, "mqtt", 10)) == [0, 1, 2, 3]
    assert minutes(store.outbox.due(START, "email", 2)) == [0, 1]
    assert minutes(store.outbox.due(START - 1, "mqtt", 10)) == [0, 1, 2, 3]  # by a clock that has been set back since
    assert store.outbox.due(START, "desktop", 10) == []
    assert store.outbox.next_try(START, "mqtt") == START
    assert store.outbox.next_try(START, "desktop") is None


def test_an_event_that_must_wait_holds_back_the_later_ones_of_its_thread_alone(store: Store) -> None:
    first, second, *_ = store.outbox.due(START, "mqtt", 10)
    store.outbox.delivered([first.number])
    store.outbox.failed([second.number], START + 5 * SECOND, "the broker is away")
    assert minutes(store.outbox.due(START, "mqtt", 10)) == [2]
    assert minutes(store.outbox.due(START, "email", 10)) == [0, 1, 2, 3]
    later = store.outbox.due(START + 5 * SECOND, "mqtt", 10)
    assert minutes(later) == [1, 2, 3]
    assert (later[0].attempts, later[0].error) == (1, "the broker is away")


def test_a_dead_event_holds_nothing_back_and_can_be_tried_again_or_dropped(store: Store) -> None:
    first, second, *_ = store.outbox.due(START, "mqtt", 10)
    store.outbox.dead([first.number, second.number], "no such topic")
    assert minutes(store.outbox.due(START, "mqtt", 10)) == [2, 3]
    assert [each.error for each in store.outbox.list(["dead"])] == ["no such topic", "no such topic"]
    assert store.outbox.retry([first.number]) == 1
    assert minutes(store.outbox.due(START, "mqtt", 10)) == [0, 2, 3]
    assert store.outbox.drop() == 1
    assert minutes(store.outbox.list(["dropped"])) == [1]
    assert store.outbox.retry() == 0
    assert store.outbox.counts() == {("email", "waiting"): 4, ("mqtt", "waiting"): 3, ("mqtt", "dropped"): 1}


def test_marks_change_only_what_waits_and_outlive_the_store(store: Store) -> None:
    first, second, *_ = store.outbox.due(START, "mqtt", 10)
    store.outbox.delivered([first.number, second.number], late=[second.number])
    store.outbox.failed([first.number], START, "too late for that")
    assert store.outbox.drop([first.number]) == 0
    path = store.database.path
    store.close()
    with Store.open(path, lambda: START) as again:
        done = again.outbox.list(["delivered"])
    assert [(each.number, each.attempts, each.late, each.error) for each in done] == [
        (first.number, 1, False, ""),
        (second.number, 1, True, ""),
    ]


@pytest.mark.parametrize("column", KEPT)
def test_an_event_in_which_one_digit_changed_is_found_and_never_delivered(store: Store, column: str) -> None:
    (event, *_) = (each.event.id for each in store.events.find())
    with store.database.plain() as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute(f"UPDATE event SET {column} = {column} || '1' WHERE number = 1")  # noqa: S608 - our words
    assert f"event {event}{'1' * (column == 'id')} is not as it was written" in check(store)
    with pytest.raises(StoreTroubleError, match="is not as it was written"):
        store.outbox.due(START, "mqtt", 10)
