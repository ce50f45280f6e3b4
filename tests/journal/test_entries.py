"""An entry of the journal: R by the rules, R of the user who took it, and the rules that were broken."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.journal.entries import JournalEntry, broken, entry_of, in_risks
from scanner.store import KeptDecision
from tests.adapters.samples import withdrawn_event
from tests.journal.samples import again, closed, found, one_story, told

if TYPE_CHECKING:
    from scanner.event_data import Direction
    from scanner.journal.stories import Story
    from scanner.store.decisions import Decided

CENTS = st.decimals("0.01", "500", places=2, allow_nan=False)


def decided(
    story: Story, kind: Decided, price: str | None = None, size: str | None = None, *, after: int = 1, text: str = ""
) -> KeptDecision:
    own = [None if each is None else Decimal(each) for each in (price, size)]
    return KeptDecision(1, story.id, kind, own[0], own[1], text, after, bar=0, made=7)


def by_the_rules(entry: JournalEntry) -> tuple[object, ...]:
    return entry.r, entry.cost_r, entry.result, entry.entry, entry.exit, entry.state, entry.bars_held


@pytest.fixture
def story() -> Story:
    """Give a setup that was entered at 101.35 as planned, with its stop at 100.15, and left at 103.15 on a signal."""
    setup = found()
    return one_story(
        setup,
        told(setup, "setup.entered", 1, "open"),
        told(setup, "setup.stop_raised", 3, "open", stop="101.00"),
        told(setup, "setup.exit_signal", 5, "open", stop="101.00"),
        closed(setup, 6, "103.15"),
    )


def test_an_entry_tells_what_the_rules_said_and_what_came_of_it(story: Story) -> None:
    entry = entry_of(story, [])
    assert (entry.instrument, entry.timeframe, entry.direction, entry.set_aside) == ("GANNET", "1h", "long", "")
    assert (entry.planned_entry, entry.entry, entry.first_stop) == (Decimal("101.35"),) * 2 + (Decimal("100.15"),)
    assert (entry.state, entry.exit, entry.r, entry.cost_r) == (
        "left",
        Decimal("103.15"),
        Decimal("1.50"),
        Decimal("0.05"),
    )
    assert (entry.result, entry.bars_held) == (Decimal("1499.40"), 5)
    assert (entry.decision, entry.own_r, entry.otherwise_r, entry.broken) == (None, None, Decimal("1.50"), ())


def test_own_prices_give_an_own_result_in_the_own_risk(story: Story) -> None:
    take = decided(story, "take", "101.65", "400", text="slow fill")
    entry = entry_of(story, [take])
    assert (entry.decision, entry.why, entry.own_price) == ("taken", "slow fill", Decimal("101.65"))
    assert entry.own_r == Decimal("1.00")  # from 101.65 to the exit of the rules at 103.15, in the risk of 1.50
    assert entry.own_result == Decimal(600)
    assert entry.otherwise_r == 0
    left = entry_of(story, [take, decided(story, "leave", "102.40", after=3)])
    assert (left.own_r, left.own_result) == (Decimal("0.50"), Decimal(300))
    assert by_the_rules(left) == by_the_rules(entry) == by_the_rules(entry_of(story, []))


def test_the_own_result_of_a_short_counts_what_the_price_fell() -> None:
    setup = found(direction="short")  # to be entered at 101.05, with its stop at 102.25
    story = one_story(setup, told(setup, "setup.entered", 1, "open"), closed(setup, 6, "99.25"))
    entry = entry_of(story, [decided(story, "take", "100.75", "400")])
    assert (entry.r, entry.own_r, entry.own_result) == (Decimal("1.50"), Decimal("1.00"), Decimal(600))


def test_a_setup_that_plans_no_entry_has_no_state() -> None:
    entry = entry_of(one_story(found(entry_style="average")), [])
    assert (entry.planned_entry, entry.state) == (None, None)


def test_what_cannot_be_known_is_not_told(story: Story) -> None:
    assert entry_of(story, [decided(story, "take")]).own_r is None  # at what price?
    at_the_stop = entry_of(story, [decided(story, "take", "100.15")])
    assert (at_the_stop.own_r, at_the_stop.own_result) == (None, Decimal("2499.00"))
    take = decided(story, "take", "101.35")
    assert entry_of(story, [take, decided(story, "leave", after=3)]).own_r is None
    nameless = found(currency="", size=None)
    unknown = entry_of(one_story(nameless, closed(nameless, 4, "103.15")), [take])
    assert (unknown.r, unknown.result, unknown.own_r, unknown.own_result) == (
        Decimal("1.50"),
        None,
        Decimal("1.50"),
        None,
    )
    only_found = entry_of(one_story(found()), [])
    assert (only_found.state, only_found.r, only_found.last_stop, only_found.bars_held) == ("waiting", None, None, None)
    still_open = entry_of(one_story(*(each.event for each in story.events[:3])), [take])
    assert (still_open.state, still_open.r, still_open.own_r, still_open.otherwise_r) == ("open", None, None, None)


def test_passing_changes_nothing_but_says_what_taking_would_have_given(story: Story) -> None:
    entry = entry_of(story, [decided(story, "pass", text="a report is due")])
    assert (entry.decision, entry.why, entry.otherwise_r) == ("passed", "a report is due", Decimal("1.50"))
    taken_after_all = entry_of(story, [decided(story, "pass", text="no"), decided(story, "take", text="yes", after=2)])
    assert (taken_after_all.decision, taken_after_all.why) == ("taken", "yes")


def test_of_a_setup_that_was_left_by_halves_the_mean_of_both_prices_counts() -> None:
    setup = found()
    end = closed(setup, 6, "103.15")
    end.data.update(half_exit="102.55", r="1.25")
    story = one_story(setup, told(setup, "setup.entered", 1, "open"), end)
    entry = entry_of(story, [decided(story, "take", "101.35", "100")])
    assert (entry.exit, entry.r, entry.own_r, entry.own_result) == (
        Decimal("102.85"),
        Decimal("1.25"),
        Decimal("1.25"),
        Decimal(150),
    )
    left = entry_of(story, [decided(story, "take", "101.35", "100"), decided(story, "leave", "101.95", after=2)])
    # What was left at 101.95 is the other half.
    assert (left.own_r, left.own_result) == (Decimal("0.75"), Decimal(90))
    end.data.update(result=None)  # half of this size cannot be closed
    assert entry_of(story, [decided(story, "take", "101.35", "101")]).own_result is None


def test_a_setup_that_was_withdrawn_has_no_result_and_one_said_again_counts_as_it_was_said_last() -> None:
    setup = found()
    entered = told(setup, "setup.entered", 1, "open")
    gone = one_story(setup, entered, withdrawn_event(setup))
    assert not gone.is_open
    entry = entry_of(gone, [decided(gone, "take", "101.35", after=2), decided(gone, "leave", "101.95", after=2)])
    assert (entry.state, entry.reason, entry.r) == ("withdrawn", "the feed restated the bar", None)
    assert entry.own_r == Decimal("0.50")  # own prices are facts all the same
    levels = {**setup.data["levels"], "stop": "100.35"}
    anew = one_story(setup, entered, withdrawn_event(setup), again(setup, levels=levels))
    assert anew.is_open
    assert (entry_of(anew, []).first_stop, entry_of(anew, []).state) == (Decimal("100.35"), "waiting")


BREAKING = [
    ("long", [("take", "101.47", "833", 1)], []),  # a tenth of R, and no more
    ("long", [("take", "101.48", None, 1)], ["beyond_plan"]),
    ("short", [("take", "100.93", None, 1)], []),
    ("short", [("take", "100.92", None, 1)], ["beyond_plan"]),
    ("long", [("take", "90", "833.5", 1)], ["too_large"]),
    ("long", [("take", None, None, 1), ("leave", "102.00", None, 3)], ["before_exit_signal"]),
    ("long", [("take", None, None, 1), ("leave", None, None, 3)], ["before_exit_signal"]),
    ("long", [("take", None, None, 1), ("leave", "101.00", None, 3)], []),  # at the stop that was raised
    ("long", [("take", None, None, 1), ("leave", "101.00", None, 2)], ["before_exit_signal"]),  # and before it was
    ("long", [("take", None, None, 1), ("leave", "102.00", None, 4)], []),
    ("long", [("pass", None, None, 1), ("note", None, None, 1)], []),
]


@pytest.mark.parametrize(("direction", "decisions", "kinds"), BREAKING)
def test_a_rule_is_broken_just_beyond_its_bound(
    direction: Direction, decisions: list[tuple[Decided, str | None, str | None, int]], kinds: list[str]
) -> None:
    setup = found(direction=direction)
    raised = {"stop": "101.00"} if direction == "long" else {}
    told_of = one_story(
        setup,
        told(setup, "setup.entered", 1, "open"),
        told(setup, "setup.stop_raised", 2, "open", **raised),
        told(setup, "setup.exit_signal", 3, "open", **raised),
    )
    made = [decided(told_of, kind, price, size, after=after) for kind, price, size, after in decisions]
    assert [kind for kind, _ in broken(told_of, made)] == kinds


def test_whoever_leaves_once_the_rules_no_longer_hold_the_position_breaks_none() -> None:
    """A message that half was closed is not an exit signal; an end other than at the stop needs none."""
    setup = found()
    entered = told(setup, "setup.entered", 1, "open")
    half = told(setup, "setup.exit_signal", 2, "open", half_exit="102.55", orders="sell stop 100.15 for the other half")
    ends = {
        "half": (half, ["before_exit_signal"]),
        "stopped": (closed(setup, 2, "100.15", "stopped"), ["before_exit_signal"]),
        "left": (closed(setup, 2, "101.60"), []),  # by the close of the session, of which its first bar was the last
        "broken off": (told(setup, "setup.broken_off", 2, "broken_off"), []),
        "withdrawn": (withdrawn_event(setup), []),
    }
    for name, (last, expected) in ends.items():
        story = one_story(setup, entered, last)
        left = decided(story, "leave", "101.00", after=3)
        assert [kind for kind, _ in broken(story, [left])] == expected, name


def test_taking_what_is_set_aside_breaks_a_rule_only_while_it_is() -> None:
    aside = found(aside="cost fails")
    story = one_story(aside, withdrawn_event(aside), again(aside, set_aside=""))
    assert [kind for kind, _ in broken(story, [decided(story, "take", after=1)])] == ["set_aside"]
    assert broken(story, [decided(story, "take", after=3)]) == []


@given(entry=CENTS, stop=CENTS, price=CENTS, halfway=CENTS)
def test_r_adds_up_is_a_mirror_and_is_minus_one_at_the_stop(
    entry: Decimal, stop: Decimal, price: Decimal, halfway: Decimal
) -> None:
    sign = 1 if entry > stop else -1
    if entry == stop:
        assert in_risks(sign, entry, stop, price) is None
        return
    assert in_risks(-sign, entry, stop, price) is None
    assert in_risks(sign, entry, stop, stop) == -1
    assert in_risks(sign, entry, stop, entry) == 0
    whole = in_risks(sign, entry, stop, price)
    assert whole == in_risks(-sign, -entry, -stop, -price)
    first = in_risks(sign, entry, stop, halfway)
    rest = in_risks(sign, entry, stop, entry + price - halfway)
    assert whole is not None
    assert first is not None
    assert rest is not None
    assert abs(first + rest - whole) <= Decimal("0.015")  # three roundings to hundredths
    assert not f"{whole}".startswith("-0.00")


@given(
    st.lists(
        st.tuples(st.sampled_from(["take", "pass", "leave", "note"]), st.none() | CENTS, st.none() | CENTS), max_size=6
    )
)
def test_no_decision_changes_what_the_rules_came_to(made: list[tuple[Decided, Decimal | None, Decimal | None]]) -> None:
    setup = found()
    story = one_story(setup, told(setup, "setup.entered", 1, "open"), closed(setup, 6, "103.15"))
    decisions = [
        KeptDecision(1, story.id, kind, price, size, "", 1 + at % 2, 0, 7)
        for at, (kind, price, size) in enumerate(made)
    ]
    assert by_the_rules(entry_of(story, decisions)) == by_the_rules(entry_of(story, []))
