"""Decisions made beside a running station take effect at the next bar, and running again gives the same stories."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from scanner.commands.journal.deciding import Wish, keep
from scanner.configuration.model.tables import Route
from scanner.configuration.routing import sinks_for
from scanner.events import rfc3339
from scanner.follow.decision import Decision
from scanner.market.bars import Bars
from scanner.store import DecisionRefusedError, Store
from scanner.store.decisions import Decisions
from scanner.trade.following import Follow
from scanner.trade.surroundings import Surroundings
from tests.follow.test_decisions import TOOK
from tests.laws import QUARTER_HOUR, all_setups, engine, many_found
from tests.service.one_desk import BARS, KEY, LATER, desk, take
from tests.service.test_restating import halves, particular, setup_at, wider, with_one_volume

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event
    from scanner.store.decisions import Decided, KeptDecision


class Now:
    """A clock that stands still where it is set."""

    time = 0

    def __call__(self) -> int:
        return self.time


@pytest.fixture
def now() -> Now:
    return Now()


@pytest.fixture
def store(tmp_path: Path, now: Now) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", now) as opened:
        yield opened


@contextmanager
def beside(store: Store, now: Now) -> Iterator[Store]:
    """Open the store as a command does beside the station."""
    with Store.open(store.database.path, now, visiting=True) as visitor:
        yield visitor


def story_of_one_entered() -> tuple[list[Event], int]:
    """Give a story that goes on for some bars after its entry, and the place of the entry bar."""
    said = engine(rulebook=many_found()).push(BARS)
    for event in said:
        if event.kind == "setup.entered" and event.data["state"] == "open":
            story = [each for each in said if each.thread == event.thread]
            index = int(np.searchsorted(BARS.close_time, event.time))
            if story[-1].time >= event.time + 4 * QUARTER_HOUR:
                return story, index
    raise ValueError


def own_price(entered: Event, r: str) -> Decimal:
    """Give the price at a distance, in planned risks, from the planned entry."""
    data = entered.data
    sign = 1 if data["direction"] == "long" else -1
    return Decimal(data["planned_entry"]) + sign * Decimal(data["planned_risk"]) * Decimal(r)


def decide(store: Store, now: Now, thread: str, kind: Decided, after: int, price: Decimal | None = None) -> None:
    """Decide in the middle of the bar after the one at this place."""
    now.time = int(BARS.close_time[after]) + QUARTER_HOUR // 2
    with beside(store, now) as visitor:
        visitor.decisions.add(thread, kind, price=price, size=Decimal(3) if kind == "take" else None)


def told(store: Store, thread: str) -> list[tuple[object, ...]]:
    return [
        (kept.event.kind, rfc3339(kept.event.time), *(kept.event.data.get(name) for name in ("entry", "size", "r")))
        for kept in store.events.story(thread)
    ]


@pytest.mark.parametrize("restarts", [False, True])
def test_an_own_fill_and_size_count_from_the_next_bar_on(store: Store, now: Now, *, restarts: bool) -> None:
    story, index = story_of_one_entered()
    thread, price = story[0].thread, own_price(story[1], "0.1")
    at = desk(store)
    take(at, BARS[: index + 1])
    decide(store, now, thread, "take", index, price)
    for place in range(index + 1, len(BARS)):
        if restarts:
            at = desk(store)
        take(at, BARS[place : place + 1])
    found = told(store, thread)
    assert [each[:2] for each in found] == [(event.kind, rfc3339(event.time)) for event in story]
    assert found[1][2:] == (story[1].data["entry"], story[1].data["size"], story[1].data["r"])
    for event, (*_, entry, size, r) in zip(story[2:], found[2:], strict=True):
        data = event.data
        assert (Decimal(str(entry)), size) == (price, "3")
        sign = 1 if data["direction"] == "long" else -1
        left_at = Decimal(data["exit"] or data["close"])
        assert r == str(round(sign * (left_at - price) / (sign * (price - Decimal(data["first_stop"]))), 2))


def test_bars_run_again_give_the_same_events_with_the_decisions(store: Store, now: Now) -> None:
    story, index = story_of_one_entered()
    at = desk(store)
    take(at, BARS[: index + 1])
    decide(store, now, story[0].thread, "take", index, own_price(story[1], "0.1"))
    take(at, BARS[index + 1 : index + 3])
    before = told(store, story[0].thread)
    columns = [column.copy() for column in BARS.columns()]
    end = index + 3
    columns[6][end - 1] = 12_345  # only a volume changes, but all bars are run again
    taken = take(at, Bars(*columns)[end - 2 : end])
    assert taken.restated.keys() == {"GANNET"}
    assert taken.events == []
    take(at, BARS[end:])
    whole = told(store, story[0].thread)
    assert whole[: len(before)] == before
    assert len(whole) == len(story)
    assert {entry for _, _, entry, _, _ in whole[2:]} == {whole[-1][2]} != {whole[1][2]}


def test_what_the_user_left_has_ended_at_their_price(store: Store, now: Now) -> None:
    story, index = story_of_one_entered()
    thread = story[0].thread
    at = desk(store)
    take(at, BARS[: index + 1])
    decide(store, now, thread, "take", index)
    now.time += 1
    with beside(store, now) as visitor:
        visitor.decisions.add(thread, "leave", price=own_price(story[1], "0.5"))
    take(at, BARS[index + 1 :])
    last = store.events.story(thread)[-1].event
    assert (last.kind, last.data["reason"], last.data["r"]) == ("setup.closed", "you left it", "0.50")
    assert last.time == BARS.close_time[index]
    assert len(told(store, thread)) == 3


def test_a_wrong_price_can_be_corrected_until_the_next_bar(store: Store, now: Now) -> None:
    story, index = story_of_one_entered()
    thread, right = story[0].thread, own_price(story[1], "0.1")
    at = desk(store)
    take(at, BARS[: index + 1])
    decide(store, now, thread, "take", index, own_price(story[1], "4"))
    at.take([], now.time)  # the station learns of it before the next bar
    with beside(store, now) as visitor:
        _, lines = keep(visitor, Wish(thread, "take", right), "UTC")
    assert lines[0].startswith(f"Taken at {right:f}, size 3: GANNET 15m "), "what is not told anew stays"
    assert lines[1] == "This replaces your earlier decision, which stays in the journal."
    for price in (right, own_price(story[1], "4"), None):  # like a message that comes twice
        with pytest.raises(DecisionRefusedError, match="it was taken already"):
            decide(store, now, thread, "take", index, price)
    take(at, BARS[index + 1 : index + 3])
    with pytest.raises(DecisionRefusedError, match="it was taken already"):
        decide(store, now, thread, "take", index + 2, own_price(story[1], "0.2"))
    take(at, BARS[index + 3 :])
    assert [each.price for each in store.decisions.all()] == [own_price(story[1], "4"), right]
    at_once = engine(rulebook=many_found())
    at_once.hear(Decision(thread, "take", right, Decimal(3), int(BARS.close_time[index])))
    wanted = [event for event in at_once.push(BARS) if event.thread == thread]
    assert [kept.event for kept in store.events.story(thread)] == wanted


class LastWord(Decisions):
    """Decisions on a disk that fails after storing one."""

    def add(self, *about: Any, **told: Any) -> KeptDecision:  # noqa: ANN401 - those of a decision
        made = super().add(*about, **told)
        self._database.close()
        return made


def test_a_stored_decision_is_confirmed_even_if_the_store_cannot_be_read_afterwards(store: Store, now: Now) -> None:
    story, index = story_of_one_entered()
    take(desk(store), BARS[: index + 1])
    with beside(store, now) as visitor:
        visitor.decisions = LastWord(visitor.database, now)
        made, lines = keep(visitor, Wish(story[0].thread, "take"), "UTC")
    assert store.decisions.all() == [made]
    assert lines[0].startswith("Taken: GANNET 15m ")


def test_only_taken_setups_are_followed_up_if_the_user_wants_that(store: Store, now: Now) -> None:
    story, index = story_of_one_entered()
    thread, wanted = story[0].thread, replace(many_found(), follow=Follow(which="taken"))
    at = desk(store, rulebook=wanted)
    take(at, BARS[: index + 1])
    decide(store, now, thread, "take", index)
    take(at, BARS[index + 1 :])
    sent = [each.event for each in store.outbox.list() if each.event.facts.follows]
    assert {event.thread for event in sent} == {thread}
    assert [event.id for event in sent] == [event.id for event in story[2:]]
    kept = [each.event.id for each in store.events.find(series=KEY)]
    assert kept == [event.id for event in engine(rulebook=wanted).push(BARS)], "all of it is kept"


def test_a_setup_that_came_too_late_to_be_sent_is_followed_once_it_is_taken(store: Store, now: Now) -> None:
    story, index = story_of_one_entered()
    thread, at = story[0].thread, desk(store, stale_after=3)
    take(at, BARS[: index + 1], LATER)
    assert store.outbox.list() == []
    decide(store, now, thread, "take", index)
    taken = take(at, BARS[index + 1 :], LATER)
    assert [each.event.id for each in store.outbox.list() if each.event.thread == thread] == [
        event.id for event in taken.events if event.thread == thread
    ]
    assert [event.id for event in taken.events if event.thread == thread] == [event.id for event in story[2:]]


def test_a_setup_set_aside_is_followed_like_any_other_once_it_is_taken(store: Store, now: Now) -> None:
    routes = [Route(sinks=("phone",)), Route(sinks=("mail",), kinds=("setup.closed",))]
    strict = replace(all_setups(), surroundings=Surroundings(require=("trend",)))
    said = engine(rulebook=strict).push(BARS)
    closed = next(event for event in said if event.kind == "setup.closed" and event.data["set_aside"])
    thread = closed.thread
    story = [event for event in said if event.thread == thread]
    index = int(np.searchsorted(BARS.close_time, story[0].time))
    at = desk(store, rulebook=strict, route=lambda event: sinks_for(event, {}, routes, ()))
    take(at, BARS[: index + 1])
    decide(store, now, thread, "take", index)
    take(at, BARS[index + 1 :])
    sent = [(each.sink, each.event.id) for each in store.outbox.list() if each.event.data["set_aside"]]
    assert sent == [*(("phone", event.id) for event in story[1:]), ("mail", closed.id)]


def test_a_taken_setup_that_is_restated_is_sent_as_it_is_now_though_set_aside(store: Store, now: Now) -> None:
    _, index = setup_at(-2)
    at = particular(store)
    take(at, with_one_volume(index)[:index])
    (aside,) = take(at, with_one_volume(index)[index - 1 : index + 1]).events
    decide(store, now, aside.thread, "take", index)
    columns = [column.copy() for column in wider(index - 1).columns()]
    columns[6][index] = with_one_volume(index).volume[index]
    withdrawn, anew = take(at, Bars(*columns)[index - 3 : index + 1]).events
    assert (aside.kind, anew.kind) == ("setup.set_aside", "setup.set_aside")
    to_screen = [each.event.id for each in store.outbox.list(sink="screen")]
    assert to_screen[-2:] == [withdrawn.id, anew.id]
    assert aside.id not in to_screen


def test_a_decision_made_while_bars_are_judged_counts_before_them(store: Store, now: Now) -> None:
    """The station has applied all decisions, and is about to store the bar that fills the entry by the rules."""
    story, index = story_of_one_entered()
    thread, price = story[0].thread, own_price(story[1], "0.1")
    before = desk(store)
    take(before, BARS[:index])

    def decides_meanwhile(event: Event) -> tuple[str, ...]:
        if event.kind == "setup.entered" and event.thread == thread and not store.decisions.all():
            decide(store, now, thread, "take", index - 1, price)
        return ("screen",)

    at = desk(store, route=decides_meanwhile)
    (entered,) = (event for event in take(at, BARS[index : index + 1]).events if event.thread == thread)
    assert (entered.data["reason"], Decimal(entered.data["entry"])) == (TOOK, price)
    assert entered.time == BARS.close_time[index - 1]
    assert [kept.event.kind for kept in store.events.story(thread)] == ["setup.qualified", "setup.entered"]


def test_notes_do_not_make_bars_wait_however_many_come(store: Store, now: Now) -> None:
    story, index = story_of_one_entered()
    before = desk(store)
    take(before, BARS[:index])
    asked = iter(range(100))

    def notes_meanwhile(event: Event) -> tuple[str, ...]:
        if event.thread == story[0].thread:
            with beside(store, now) as visitor:
                visitor.decisions.add(event.thread, "note", text=f"{next(asked)}")
        return ("screen",)

    found = take(desk(store, route=notes_meanwhile), BARS[index : index + 1]).events
    assert story[1].id in {each.id for each in found}
    assert [each.text for each in store.decisions.all()] == ["0"]


def test_a_decision_counts_whatever_the_clock_says(store: Store, now: Now) -> None:
    """As when a recording is played, or when a clock was ahead."""
    story, index = story_of_one_entered()
    at = desk(store)
    take(at, BARS[: index + 1])
    made: tuple[tuple[int, Decided], ...] = ((10**18, "take"), (-(10**18), "leave"))
    for ahead, kind in made:
        now.time = int(BARS.close_time[index]) + ahead
        with beside(store, now) as visitor:
            visitor.decisions.add(story[0].thread, kind, price=own_price(story[1], "0.1"))
    (closed,) = (event for event in take(at, BARS[index + 1 : index + 2]).events if event.thread == story[0].thread)
    assert (closed.kind, closed.data["reason"], closed.data["r"]) == ("setup.closed", "you left it", "0.00")


def test_a_decision_between_two_coarser_bars_is_published_even_if_a_finer_one_is_restated(
    store: Store, now: Now
) -> None:
    _, index = story_of_one_entered()
    bars, cut = halves(BARS), 2 * (index + 1) + 1
    at = desk(store, "30m")
    take(at, bars[:cut])
    (thread,) = (each.thread for each in at.pipelines["GANNET"].lanes[0].engine.under_way())
    kinds: tuple[Decided, ...] = ("take", "leave")
    for kind in kinds:
        with beside(store, now) as visitor:
            visitor.decisions.add(thread, kind)
    columns = [column.copy() for column in bars.columns()]
    columns[6][cut - 1] = 12_345
    assert set(take(at, Bars(*columns)[cut - 1 : cut + 1]).restated) == {"GANNET"}
    last = store.events.story(thread)[-1].event
    assert (last.kind, last.data["reason"], last.time) == ("setup.closed", "you left it", bars.close_time[cut - 2])
