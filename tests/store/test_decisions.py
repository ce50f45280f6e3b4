"""The user's decisions are stored as a whole, once, and for good."""

from __future__ import annotations

from decimal import Decimal
from threading import Thread
from typing import TYPE_CHECKING, Any

import pytest
from pyarrow import parquet

from scanner.store import Batch, DecisionRefusedError, Store, StoreTroubleError
from scanner.store.decisions import KEPT
from scanner.store.upkeep.check import check
from scanner.store.upkeep.export import export
from scanner.store.upkeep.maintenance import compact
from tests.store.samples import GANNET, START, said, update

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.store.decisions import Decided


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "kept.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    """Give a store with two open setups, ``a`` and ``b``."""
    with Store.open(path, lambda: START) as opened:
        told = [said(GANNET, minute, [], thread) for minute, thread in enumerate(["a", "b"])]
        opened.commit(Batch([update(GANNET, 0, 4)], said=told))
        yield opened


def test_numbers_come_back_digit_for_digit_and_with_them_what_was_said_last(store: Store) -> None:
    price, size = Decimal("0.000000000000000123456789"), Decimal("1234567890.50")
    made = store.decisions.add("b", "take", price=price, size=size, text="Ærfugl «b»")
    assert (made.number, made.after, made.made) == (1, 2, START)
    assert store.decisions.all() == [made]
    assert [f"{each:f}" for each in (made.price, made.size) if each] == [f"{price:f}", "1234567890.50"]
    assert check(store) == []


def test_of_many_who_decide_at_once_one_is_first(path: Path, store: Store) -> None:
    refused: list[str] = []

    def take() -> None:
        with Store.open(path, lambda: START, visiting=True) as visitor:
            try:
                visitor.decisions.add("a", "take")
            except DecisionRefusedError as problem:
                refused.append(str(problem))

    threads = [Thread(target=take) for _ in range(6)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert [each.kind for each in store.decisions.all()] == ["take"]
    assert refused == ["it was taken already; to add something, keep a note"] * 5


P, Q, S, T = (Decimal(text) for text in ("101.40", "101.55", "100", "250"))


@pytest.mark.parametrize(
    ("again", "kept"),
    [
        ({}, None),
        ({"price": P}, None),
        ({"size": S}, None),
        ({"price": P, "size": S}, None),
        ({"price": Q}, (Q, S)),
        ({"size": T}, (P, T)),
        ({"price": Q, "size": T}, (Q, T)),
    ],
)
def test_a_price_or_size_given_again_replaces_the_first_unless_it_is_the_same(
    store: Store, again: dict[str, Any], kept: tuple[Decimal, Decimal] | None
) -> None:
    first = store.decisions.add("a", "take", price=P, size=S, text="late")
    if kept is None:
        with pytest.raises(DecisionRefusedError, match="it was taken already"):
            store.decisions.add("a", "take", **again)
        assert store.decisions.all() == [first]
        return
    second = store.decisions.add("a", "take", **again)
    assert (second.price, second.size, second.text) == (*kept, "late")
    with pytest.raises(DecisionRefusedError, match="it was taken already"):  # the first message arrives once more
        store.decisions.add("a", "take", price=P, size=S)
    assert store.decisions.all() == [first, second]


@pytest.mark.parametrize("thread", ["", "nowhere"])
def test_nothing_is_decided_of_what_is_not_there(store: Store, thread: str) -> None:
    with pytest.raises(DecisionRefusedError, match="no longer in the store"):
        store.decisions.add(thread, "note", text="what was it?")
    assert store.decisions.all() == []


@pytest.mark.parametrize("column", KEPT)
def test_a_decision_that_changed_on_the_disk_is_noticed(store: Store, column: str) -> None:
    store.decisions.add("a", "take", price=Decimal(100), size=Decimal(5), text="b")
    value = {"kind": "pass", "after": 2, "made": 2}.get(column, "7")
    with store.database.writing() as connection:
        connection.execute(f"UPDATE decision SET {column} = ?", (value,))  # noqa: S608 - our words
    with pytest.raises(StoreTroubleError, match="decision 1 is not as it was written"):
        store.decisions.all()
    assert check(store) == ["decision 1 is not as it was written"]


def test_what_was_decided_outlives_the_days_that_events_are_kept(path: Path) -> None:
    now = START
    with Store.open(path, lambda: now) as store:
        told = [said(GANNET, minute, [], thread) for minute, thread in enumerate(["a", "b", "a"])]
        store.commit(Batch([update(GANNET, 0, 4)], said=told))
        store.decisions.add("a", "pass")
        now += 1_000 * 86_400 * 1_000_000_000
        assert compact(store, keep_bars=500, keep_days=1).events == 1
        assert [kept.number for kept in store.events.find()] == [1, 3]
        assert check(store) == []
        with store.database.writing() as connection:
            connection.execute("DELETE FROM event WHERE number = 3")
        assert check(store) == ["decision 1: the event before it is missing"]


def test_decisions_are_exported_with_the_rest(store: Store, tmp_path: Path) -> None:
    kinds: tuple[Decided, ...] = ("take", "note")
    for kind in kinds:
        store.decisions.add("a", kind, price=Decimal("1.50") if kind == "take" else None, text="why")
    export(store, tmp_path / "out")
    rows = parquet.read_table(tmp_path / "out" / "decisions.parquet").to_pylist()
    assert [(row["thread"], row["kind"], row["price"], row["after"]) for row in rows] == [
        ("a", "take", "1.50", 1),
        ("a", "note", None, 1),
    ]


@pytest.mark.usefixtures("store")
def test_whole_stories_are_found_by_time_id_and_instrument(path: Path) -> None:
    with Store.open(path, lambda: START, visiting=True) as visitor:

        def numbers(**asked: str | int) -> list[int]:
            return [each.number for each in visitor.events.stories(**asked)]  # type: ignore[arg-type]  # by name

        minute = 60 * 1_000_000_000
        assert numbers() == [1, 2]
        assert (numbers(begins="a"), numbers(begins="ab")) == ([1], [])
        assert (numbers(instrument="GANNET"), numbers(instrument="GANNE")) == ([1, 2], [])
        assert (numbers(since=START + 2 * minute), numbers(until=START + 2 * minute)) == ([2], [1])
