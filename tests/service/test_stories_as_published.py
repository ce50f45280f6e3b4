"""An open story keeps what was published of its setup, whatever the configuration says of such a setup now."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.configuration.routing import sinks_for
from scanner.market.bars import Bars
from scanner.market.sessions.dates import Dated
from scanner.service.changes.change_list import change_list
from scanner.store import Store
from scanner.trade.size import Account
from scanner.trade.surroundings import Surroundings
from tests.laws import many_found
from tests.service.one_desk import ACCOUNT, BARS, LATER, desk, take, watched
from tests.service.test_other_rules_stories import under_way_at

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from scanner.events import Event
    from scanner.service.desk import Desk

DATES = (Dated(int(BARS.open_time[0]), LATER, "all", "a report", date(2023, 11, 14)),)
DATED = replace(many_found(), surroundings=Surroundings(require=("dates",)))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def to_screen(event: Event) -> Sequence[str]:
    """Route without any routes: setups set aside are not sent."""
    return sinks_for(event, {}, (), ("screen",))


def entered(store: Store) -> tuple[Desk, int, Event]:
    """Give a desk with an open position, the place of its last bar, and the event of the entry."""
    at, index = desk(store, route=to_screen, rulebook=many_found()), under_way_at("setup.entered")
    take(at, BARS[: index + 1])
    return at, index, store.events.find()[-1].event


def restate_last(at: Desk, index: int) -> None:
    columns = [column.copy() for column in BARS.columns()]
    columns[6][index] = 12_345  # the volume, which no story looks at
    assert take(at, Bars(*columns)[index : index + 1]).restated


@pytest.mark.parametrize("now", ["required", "restated"])
def test_the_end_of_a_position_is_sent_although_its_setup_would_be_set_aside_now(store: Store, now: str) -> None:
    at, index, entry = entered(store)
    change_list(at, [replace(watched(rulebook=DATED), dates=DATES)], ACCOUNT)
    if now == "restated":
        restate_last(at, index)
    take(at, BARS[index + 1 :])
    story = [kept.event for kept in store.events.story(entry.thread)]
    assert story[-1].facts.ends
    assert not any(event.data["set_aside"] for event in story)
    assert [each.sink for each in store.outbox.of_event(story[-1].id)] == ["screen"]


@pytest.mark.parametrize("is_own", [False, True], ids=["the published one", "the user's own"])
@pytest.mark.parametrize("is_restated", [False, True], ids=["other rules", "a restated bar"])
def test_a_position_keeps_its_size_when_the_account_changes(store: Store, *, is_restated: bool, is_own: bool) -> None:
    at, index, entry = entered(store)
    size = entry.data["size"]
    if is_own:
        size = "3"
        with Store.open(store.database.path, lambda: LATER, visiting=True) as visitor:
            visitor.decisions.add(entry.thread, "take", size=Decimal(size))
        index += 1
        assert not take(at, BARS[index : index + 1]).events  # so nothing published has the own size
    smaller = Account(equity=Decimal(500), currency="EUR")
    change_list(at, [watched(rulebook=many_found() if is_restated else DATED)], smaller)
    if is_restated:
        restate_last(at, index)
    take(at, BARS[index + 1 :])
    assert [kept.event for kept in store.events.story(entry.thread)][-1].data["size"] == size
