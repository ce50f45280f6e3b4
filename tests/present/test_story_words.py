"""Words for the events of a story: what to do first, its state, and nothing unknown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from scanner.ports import Message
from scanner.present.words.words import alert, digest
from scanner.wording.cautions import SHORT
from scanner.wording.words import HEADLINE_LENGTH
from tests.adapters.samples import set_aside_event, setup_event
from tests.adapters.story_samples import FOLLOWING, SPLIT, story_event, story_of

if TYPE_CHECKING:
    from scanner.events import Event, Kind
    from scanner.wording.words import Words

BERLIN, NEW_YORK = "Europe/Berlin", "America/New_York"

STOP_RAISED = """\
HARBOUR 15m long: move the stop: sell stop 100.90, was 100.15, size 833; now +0.72 R, −0.40 R at the stop

The stop follows a confirmed swing low. Bar closed Mon 2 Mar 2026 18:00 Berlin (12:00 New York) at 102.30 EUR.

Orders now: sell stop 100.90, was 100.15.

Ahead: The market is closed until Monday, 2026-03-09.

Details
  now: +0.72 R (at the close 102.30)
  at the stop: −0.40 R (before costs, at 100.90)
  best: +1.00 R (furthest in its favour)
  worst: −0.20 R (furthest against it)
  costs: 0.08 R (of both ways)
  entry: 101.40 (planned 101.35)
  R: 1.25 (from the entry to the first stop; planned 1.20)
  stop: 100.90 (at first 100.15)
  size: 833
  bars held: 4
  signs of pressure: 0 of 2
  setup: doji pause (closed Mon 2 Mar 2026 17:00 Berlin, 7 points of evidence)

Next: a confirmed swing low above the stop raises it; 2 different signs of pressure within 5 bars end it, 0 so far.

Not advice and no promise. Past results prove nothing about the future. Local rules and licensed advice come first.

In numbers a point is the decimal mark, and thousands are separated by a thin space (12\u202f345.60).
"""
CLOSED = """\
HARBOUR 15m long: closed +1.12 R, +1166.20 EUR before costs: left at 102.80 on pressure

A close back through the fast average and a drive bar against it. Bar closed Mon 2 Mar 2026 19:15 Berlin at 102.65 \
EUR.

No orders: take out any that are still in the market.

Details
  result: +1.12 R (before costs)
  best: +1.60 R (furthest in its favour)
  worst: −0.20 R (furthest against it)
  in money: +1166.20 EUR (before costs, for the size 833)
  costs: 0.08 R (of both ways)
  entry: 101.40 (planned 101.35)
  R: 1.25 (from the entry to the first stop; planned 1.20)
  stop: 100.90 (at first 100.15)
  left at: 102.80
  size: 833
  bars held: 8
  signs of pressure: 2 of 2 (a close back through the fast average; a drive bar against it)
  setup: doji pause (closed Mon 2 Mar 2026 17:00 Berlin, 7 points of evidence)

Nothing more: its story has ended.

Not advice and no promise. Past results prove nothing about the future. Local rules and licensed advice come first.

In numbers a point is the decimal mark, and thousands are separated by a thin space (12\u202f345.60).
"""


def said(event: Event, *, late: bool = False, **changes: Any) -> Words:  # noqa: ANN401 - any field
    """Put an event into words, with other data in it."""
    unknown = changes.keys() - event.data.keys()
    assert not unknown
    event.data.update(changes)
    return alert(Message(event, late=late), BERLIN, None)


def values(words: Words) -> dict[str, str]:
    return {line.name: line.value for line in words.why}


def test_the_whole_text_of_a_stop_to_move_and_of_an_end() -> None:
    assert alert(Message(story_event("setup.stop_raised")), BERLIN, NEW_YORK).plain() == STOP_RAISED
    assert said(story_event("setup.closed")).plain() == CLOSED


SHORT_SIDE = {
    "setup.entered": "entered at 101.00, stop 102.25, size 833, R 1.25",
    "setup.stop_raised": "move the stop: buy stop 101.50, was 102.25, size 833; now +0.72 R, −0.40 R at the stop",
    "setup.pressure": "pressure 1 of 2, a drive bar against it; now +0.64 R, stop 101.50, size 833",
    "setup.exit_signal": "exit signal: buy at the next open, size 833; now +1.16 R",
    "setup.closed": "closed +1.12 R, +1166.20 EUR before costs: left at 99.60 on pressure",
    "setup.lapsed": "lapsed: cancel the sell stop 101.05; no entry within 3 bars",
    "setup.spoiled": "spoiled: cancel the sell stop 101.05; the MACD line crossed back before the entry",
    "setup.broken_off": "no longer followed, look at it yourself: entered at 101.00, stop 101.50",
}


@pytest.mark.parametrize("kind", FOLLOWING)
def test_a_short_is_told_with_its_own_prices_and_orders(kind: Kind) -> None:
    words = said(story_event(kind, setup_event(direction="short")))
    assert words.headline == f"HARBOUR 15m short: {SHORT_SIDE[kind]}"


@pytest.mark.parametrize("kind", FOLLOWING)
def test_what_is_late_and_what_was_set_aside_says_so_first(kind: Kind) -> None:
    plain = said(story_event(kind)).headline
    late, aside = said(story_event(kind), late=True), said(story_event(kind, set_aside_event()))
    assert late.headline == f"Late: {plain}"
    assert late.lead.startswith("This message was held up on its way. ")
    assert aside.headline == f"Set aside: {plain}"
    assert aside.lead.endswith(" The setup was set aside.")
    for words in (late, aside):
        assert words.orders == said(story_event(kind)).orders, "an order is to be cancelled however late it is told"


@pytest.mark.parametrize("kind", FOLLOWING)
def test_an_alert_on_a_phone_has_the_orders_in_one_line_and_what_comes_next(kind: Kind) -> None:
    words = said(story_event(kind))
    lines = words.brief().splitlines()
    assert lines == list(filter(None, [words.lead, words.orders, words.against, words.glance, words.wrong]))
    assert all([words.lead, words.orders, words.glance, words.wrong])
    title, text = words.notification()
    assert text.startswith(f"{words.headline}\n{words.lead}\n{words.orders}\n")
    assert words.headline.startswith(title.partition(":")[0])
    assert len(title) < len(words.headline) or kind in {"setup.lapsed", "setup.spoiled"}
    assert words.caution == SHORT


def test_the_state_of_a_story_is_one_line() -> None:
    assert said(story_event("setup.pressure")).glance == (
        "Now +0.64 R, at the stop −0.40 R, best +1.60 R, worst −0.20 R, 6 bars held, pressure 1 of 2."
    )
    assert said(story_event("setup.closed")).glance == (
        "Result +1.12 R, +1166.20 EUR, best +1.60 R, worst −0.20 R, 8 bars held, pressure 2 of 2."
    )
    assert said(story_event("setup.lapsed")).glance == "3 bars waited."
    long = story_event("setup.pressure")
    long.data["bars_held"] = 1_250
    assert ", 1250 bars held, " in said(long).glance, "as in the figures: a comma would pass for a decimal mark"


def test_more_signs_than_needed_are_reported_as_such() -> None:
    words = said(story_event("setup.exit_signal"), pressure=["one", "two", "three"])
    assert values(words)["signs of pressure"] == "3, where 2 end it"


def test_no_reason_leaves_no_trace_in_a_headline() -> None:
    heads = [said(story_event(kind), reason=" ").headline for kind in ("setup.pressure", "setup.lapsed")]
    assert heads == [
        "HARBOUR 15m long: pressure 1 of 2; now +0.64 R, stop 100.90, size 833",
        "HARBOUR 15m long: lapsed: cancel the buy stop 101.35",
    ]


def test_a_user_who_leaves_is_told_to_cancel_the_stop() -> None:
    first = said(
        story_event("setup.exit_signal"), orders="sell stop 100.90; or sell at the next open", next="it goes on"
    )
    assert first.headline == "HARBOUR 15m long: exit signal: you may sell at the next open, size 833; now +1.16 R"
    assert first.orders == "Orders now: sell stop 100.90; or sell at the next open."
    assert (
        first.wrong == "Next: it goes on. If you leave, take your stop and any other order out of the market as well."
    )
    last = said(story_event("setup.exit_signal"), orders="sell stop 100.90; sell at the close of the next bar")
    assert last.headline == "HARBOUR 15m long: exit signal: sell at the close of the next bar, size 833; now +1.16 R"


def test_once_half_is_closed_the_orders_are_for_the_other_half_of_the_size() -> None:
    for kind in ("setup.stop_raised", "setup.pressure", "setup.exit_signal"):
        event = story_event(kind)
        assert ", size 833" in said(event).headline
        assert ", half of the size 833" in said(event, half_exit="102.65").headline


def test_the_exit_of_half_is_reported_with_its_reason_and_at_the_end() -> None:
    reason = "half of it was closed at a gain of 1 R, as you chose"
    half = said(story_event("setup.exit_signal"), orders="sell stop 100.90", reason=reason, half_exit="102.65")
    assert half.headline == f"HARBOUR 15m long: exit signal, now +1.16 R: {reason}"
    assert values(half)["half closed at"] == "102.65"
    end = said(story_event("setup.closed"), half_exit="102.65", exit="101.40", r="0.50", state="stopped")
    assert end.headline == (
        "HARBOUR 15m long: closed +0.50 R, +1166.20 EUR before costs: half closed at 102.65, the rest stopped at 101.40"
    )


def test_an_entry_that_its_own_bar_ended_says_so() -> None:
    words = said(
        story_event("setup.entered"),
        state="stopped",
        exit="100.15",
        r="-1.00",
        r_at_stop=None,
        orders="",
        next="nothing more",
    )
    assert (
        words.headline == "HARBOUR 15m long: entered at 101.40, over within the same bar, stop 100.15, size 833, R 1.25"
    )
    assert words.glance.startswith("Result −1.00 R, best +0.40 R")


@pytest.mark.parametrize(
    ("kind", "changes", "may_be_in"),
    [
        ("setup.entered", {}, True),
        ("setup.closed", {}, True),
        ("setup.closed", {"bars_held": 1}, False),
        ("setup.closed", {"close": "100.15"}, False),  # it closed at the stop, after the entry
        ("setup.closed", {"direction": "short", "close": "100.20"}, False),
        ("setup.closed", {"planned_entry": "101.35"}, False),  # it opened beyond the entry, which thus came first
        ("setup.closed", {"entry_style": "early"}, False),
    ],
)
def test_whoever_may_still_be_in_is_not_told_to_take_out_the_stop(
    kind: Kind, changes: dict[str, Any], *, may_be_in: bool
) -> None:
    """Within one bar the stop may have been reached before the entry: then a real position is still open."""
    event = story_event(kind)
    event.data.update(state="stopped", exit="100.15", stop="100.15", r="-1.00", orders="", bars_held=0)
    event.data.update(planned_entry="101.40", entry="101.40", close="101.00", next="it is over")
    words = said(event, **changes)
    if not may_be_in:
        assert words.orders == "No orders: take out any that are still in the market."
        assert words.wrong == "It is over."
    else:
        assert words.orders == "No orders, unless you are still in: then keep your stop."
        assert words.wrong == (
            "It is over. Within the bar of an entry the stop counts as reached last, even if it was reached first. If "
            "you are still in, you hold a position that is not followed here."
        )


@pytest.mark.parametrize(
    ("risk", "more"), [("1.25", None), ("1.00", None), ("1.37", None), ("1.38", "10 %"), ("1.60", "28 %")]
)
def test_a_fill_that_is_worse_by_a_tenth_says_how_much_more_the_stop_loses(risk: str, more: str | None) -> None:
    event = story_event("setup.entered")
    words = said(event, planned_risk="1.25", risk=risk, next="it goes on")
    told = f" The fill is worse than planned: at the stop the same size loses {more} more." if more else ""
    assert words.wrong == f"Next: it goes on.{told}"
    assert said(event, stop="101.40").wrong == "Next: it goes on."  # the bar of the entry has moved it to the entry


def test_an_entry_in_the_last_bar_of_the_session_comes_without_an_exit_signal() -> None:
    words = said(story_event("setup.entered"), state="left", exit="101.60", orders="", next="it is over", bars_held=1)
    assert words.wrong == (
        "It is over. You chose to leave by the close of the session, which ended with the bar of the entry: if you are "
        "still in, leave."
    )


def test_one_that_was_left_before_its_entry_has_no_result() -> None:
    words = said(
        story_event("setup.closed"),
        entry=None,
        risk=None,
        exit=None,
        r=None,
        best_r=None,
        worst_r=None,
        cost_r=None,
        result=None,
        reason="you left it",
        bars_waited=2,
    )
    assert words.headline == "HARBOUR 15m long: closed without an entry: you left it"
    assert words.glance == "2 bars waited."
    assert not {"result", "entry", "R", "bars held", "signs of pressure"} & values(words).keys()


def test_one_broken_off_has_no_result_and_asks_to_look() -> None:
    words = said(story_event("setup.broken_off"), r="1.12", result=None)
    assert words.lead.startswith("Opens near 1:2 of the last close, as after a split; ")
    assert {"result", "now", "at the stop", "in money"}.isdisjoint(values(words))
    assert "1.12" not in words.plain()
    assert words.orders == "No orders from here: those in the market are yours to look after."
    assert words.wrong.startswith("It is no longer followed; look at it yourself. If you hold a position,")
    waited = said(story_event("setup.broken_off"), entry=None, risk=None, best_r=None, worst_r=None, reason=SPLIT)
    assert waited.headline == "HARBOUR 15m long: no longer followed, look at it yourself: never entered"


@pytest.mark.parametrize("kind", ["setup.lapsed", "setup.spoiled"])
def test_without_an_order_in_the_market_the_user_is_told_not_to_enter(kind: Kind) -> None:
    words = said(story_event(kind), orders="", entry_style="early", reason="it opened too far off")
    assert words.headline.endswith(": do not enter; it opened too far off")
    assert words.orders == "No orders: take out any to enter that are still in the market."
    assert words.wrong.endswith("If you have entered all the same, you hold a position that is not followed here.")


@pytest.mark.parametrize(
    ("result", "currency", "shown"),
    [
        ("-0.5", "EUR", "−0.50 EUR"),
        ("1166.2", "", "+1166.20"),
        ("0", "JPY", "+0.00 JPY"),
        ("0.00012", "BTC", "+0.00012 BTC"),
        ("-12.3456", "EUR", "−12.35 EUR"),
        ("123456.7", "EUR", "+123\u202f456.70 EUR"),
    ],
)
def test_money_has_hundredths_and_no_more_unless_it_is_less(result: str, currency: str, shown: str) -> None:
    assert values(said(story_event("setup.closed"), result=result, currency=currency))["in money"] == shown


def test_what_is_not_known_is_not_shown() -> None:
    words = said(story_event("setup.closed"), size=None, result=None, cost_r=None, exit_style="quick")
    assert values(words)["size"] == "not given"
    assert {"in money", "costs", "signs of pressure"}.isdisjoint(values(words))
    assert "pressure" not in words.glance
    as_planned = said(story_event("setup.entered"), entry="101.35", risk="1.20", bars_waited=1, orders="")
    notes = {line.name: line.note for line in as_planned.why}
    assert (notes["entry"], notes["R"]) == ("as planned", "from the entry to the first stop; as planned")
    assert (notes["stop"], notes["bars held"]) == ("not moved", "after 1 waited")
    assert as_planned.orders == "No orders."


@pytest.mark.parametrize("kind", FOLLOWING)
@pytest.mark.parametrize("direction", ["long", "short"])
def test_a_headline_tells_less_rather_than_cut_a_name_or_a_price(kind: Kind, direction: Any) -> None:  # noqa: ANN401 - a Direction
    name = "LONDON-BRENT-2026-12-MINI-FUTURE"
    event = story_event(kind, setup_event(name, direction=direction))
    event.data["reason"] = "a long reason " * 12
    whole, late = said(event), said(event, late=True)
    assert name in whole.headline
    assert name in late.headline
    assert len(late.headline) <= HEADLINE_LENGTH
    assert "long reason" in whole.lead
    prices = {"entry": "0.000000021234", "risk": "0.000000001235", "stop": "0.000000019999", "exit": "0.000000023469"}
    event.data.update({each: price for each, price in prices.items() if event.data[each] is not None})
    event.data["orders"] = (
        event.data["orders"] and "sell stop 0.000000020999, was 0.000000019999; sell half at 0.00000003"
    )
    headline = said(event).headline
    assert "…" not in headline.partition(" 15m ")[2]
    assert len(headline) <= HEADLINE_LENGTH


def test_a_digest_counts_by_kind_and_calls_no_end_too_late_to_act_on() -> None:
    messages = [Message(event, late=event.facts.ages) for event in story_of(setup_event())]
    words = digest(messages, BERLIN, {})
    assert words.headline == "6 alerts: 1 setup, 1 entered, 1 stop to move, 1 sign of pressure, 1 exit signal, 1 closed"
    assert words.lead == "Too late to act on: 1 of them.", "the setup"
    assert "closed" in words.parts[0].headline, "the newest comes first"
    assert not words.parts[0].headline.startswith("Late")
