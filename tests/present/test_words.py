"""Words: the whole text of an alert, a headline for every kind, and no name that breaks out of them."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from decimal import Decimal
from html import escape as html_text
from typing import TYPE_CHECKING, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.events import Event, Kind, rfc3339
from scanner.ports import Message, Notes
from scanner.present.glance.folded import rules_in_a_line
from scanner.present.words.words import alert, conversation, digest, say
from scanner.present.words.words_html import html
from scanner.wording.cautions import SHORT
from scanner.wording.times import known_zone, moment
from scanner.wording.words import HEADLINE_LENGTH, TEXT_LENGTH, TITLE_LENGTH
from tests.adapters.samples import BAR_CLOSE, HOSTILE_NAMES, LINE, found_in_short, setup_event, withdrawn_event
from tests.adapters.story_samples import FOLLOWING, story_event
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from scanner.event_data import Measure
    from scanner.wording.words import Words

BERLIN, NEW_YORK = "Europe/Berlin", "America/New_York"
MARKS = {"\u200e"}
"""Hidden characters allowed in words: those that keep numbers on their side of a name."""

SHORT_LINE = (
    "entry 101.05 (sell stop), stop 102.25, size 833, 999.60 EUR at risk, room 2.38 R, until Mon 2 Mar 16:45 UTC"
)
EARLY_LINE = (
    "entry at the next open, about 101.20, stop 100.15, size 952, 999.60 EUR at risk, room 2.86 R, "
    "for the next open only"
)
ALERT = """\
HARBOUR 15m long: entry 101.35 (buy stop), stop 100.15, size 833, 999.60 EUR at risk, room 2.38 R, until Mon 2 Mar \
17:45 Berlin

Doji pause at a trend line 99.85 (also a level 99.90). Bar closed Mon 2 Mar 2026 17:00 Berlin (11:00 New York) at \
101.20 EUR.

What speaks against it: volatility 1.31, wanted at most 1.15 (loud: ATR in means of its last 100 values). Caution: The \
position is worth 84299.60 EUR, 1.69 times the equity. At the same bar: inside bar long.

Levels
  break entry: 101.35 (one step above the last bar's high, as a stop order)
  stop: 100.15 (0.05 beyond the doji's low)
  R: 1.20 (from the entry to the stop, in price)
  size: 833 (risk limit 1000.00 EUR, 1.20 EUR a unit)
  objective 1R: 102.55
  objective 2R: 103.75
  objective 3R: 104.95
  obstacle: 104.20 (swing high; room 2.38 R)
  exit: ride (close is above the 200-bar average: the position may stay beyond the first cross back of the MACD \
line, its stop trailed behind swing points)
  or early entry: 101.20 (R 1.05, size 952; room 2.86 R; open of the next bar, estimated at the close; void if it \
opens above 101.50)
  or average entry: none (close is above the 50-bar average already)

Where the idea is wrong: before the entry, at a close below 100.15 or once the MACD line crosses back; after it, \
at the stop 100.15. Place the stop together with the entry: a fill is reported only at the close of its bar.

All 11 rules hold; closest to failing: not exhausted 1.9, wanted at most 3. Surroundings: 2 of 3 hold; evidence 7 of 10.

Not advice and no promise. Past results prove nothing about the future. Local rules and licensed advice come first.

Why, rule by rule
  at a trend line: 99.85 (0.21, wanted ≤ 0.5: the pullback's low in ATR from a trend line with 3 touches)
  at a level: 99.90 (3, wanted ≥ 2: swing points within 0.5 ATR of the pullback's low)
  drive direction: 0.85 (wanted > 0: smaller of the two drives' bodies, counted up)
  drive length: 1.62 (wanted ≥ 1: first drive's body in usual bodies)
  not exhausted: 1.9 (wanted ≤ 3: first drive's range in ATR)
  drive solid: 0.74 (wanted ≥ 0.5: less solid drive's body as a fraction of its range)
  doji body: 0.04 (wanted ≤ 0.1: doji's body as a fraction of its range)
  doji short: 0.31 (wanted ≤ 0.75: doji's range as a fraction of the first drive's)
  drives alike: 1.12 (wanted 0.5714 to 1.75: second drive's body as a fraction of the first's)
  progress: 0.55 (wanted > 0: how far the last close lies beyond the first drive's close and the doji)
  momentum: 2 (wanted ≤ 10: bars since the MACD line crossed above its signal)
  traded: 3 (wanted ≥ 3: bars of the three that traded)
  surroundings: 2 of 3 (hold)
  trend: holds (with the trend, by the close and the 200-bar average over 10 bars)
  room: 2.38 (wanted ≥ 1: distance from the entry to the obstacle in R)
  volatility: 1.31 (fails, wanted ≤ 1.15: loud: ATR in means of its last 100 values)
  evidence: 7 of 10 (the places count too; + counted, − not; no count predicts anything)
  + engulfing: 1.3 (covers it: first drive's body in bodies of the bar before it)
  + doji inside: -0.05 (wanted ≤ 0: how far the doji reaches beyond the first drive's range)
  + doji tight: 0.31 (wanted ≤ 0.35: doji's range as a fraction of the first drive's)
  + beyond fast average: 1.05 (wanted > 0: how far the close lies above the 50-bar average)
  + beyond slow average: 3.4 (wanted > 0: how far the close lies above the 200-bar average)
  − volume: 0.8 (wanted > 1: last bar's volume as a multiple of the mean of 20 bars)

In numbers a point is the decimal mark, and thousands are separated by a thin space (12\u202f345.60).
"""


def texts(words: Words) -> list[str]:
    """List every piece of text in the words."""
    lines = [
        text for line in (*words.why, *words.levels, *words.figures) for text in (line.name, line.value, line.note)
    ]
    own = [words.headline, words.title, words.lead, words.against, words.orders, words.glance, words.wrong]
    own += [words.folded, words.caution, *lines]
    return own + [text for part in words.parts for text in texts(part)]


def hidden(text: str) -> list[str]:
    return [one for one in text if unicodedata.category(one)[0] == "C" and one not in MARKS]


def test_the_whole_text_of_an_alert() -> None:
    assert alert(Message(setup_event()), BERLIN, NEW_YORK).plain() == ALERT


def test_surroundings_that_nobody_could_judge_are_named_and_not_counted() -> None:
    event = setup_event()
    unknown = {"measured": None, "threshold": "> 10", "verdict": True, "text": "not judged: no dates are known"}
    around = event.data["surroundings"] | {"dates": unknown}
    words = alert(Message(replace(event, data=event.data | {"surroundings": around})), "UTC", None)
    assert "Surroundings: 2 of 3 hold, not judged: dates; evidence 7 of 10." in words.folded
    assert next(line for line in words.why if line.name == "surroundings").plain() == (
        "surroundings: 2 of 3 (hold, not judged: dates)"
    )


def test_the_short_side_is_told_with_its_own_words() -> None:
    words = alert(Message(setup_event(direction="short")), "UTC", None)
    assert words.headline == f"HARBOUR 15m short: {SHORT_LINE}"
    assert words.wrong.startswith(
        "Where the idea is wrong: before the entry, at a close above 102.25 or once the MACD line crosses back; after "
        "it, at the stop 102.25. Place the"
    )
    assert words.glance == "Objectives 99.85, 98.65, 97.45; obstacle 98.20. Exit: ride."


def test_a_late_message_says_so_before_anything_else() -> None:
    words = alert(Message(setup_event(), late=True), BERLIN, None)
    assert words.headline == f"Too late to act: HARBOUR 15m long: {LINE}"
    assert words.lead.startswith("This alert was held up on its way: the moment to act has passed. Doji pause")
    assert digest([Message(setup_event(), late=True)] * 2, "UTC", {}).lead == "Too late to act on: 2 of them."


def test_a_setup_without_an_entry_says_why() -> None:
    event = setup_event()
    event.data["entry_style"] = "average"
    words = alert(Message(event), "UTC", None)
    said = "no average entry: close is above the 50-bar average already; stop 100.15"
    assert words.headline == f"HARBOUR 15m long: {said}"
    assert [(figure.name, figure.value) for figure in words.figures] == [("entry", "none"), ("stop", "100.15")]
    assert conversation(Message(event), "UTC") == "HARBOUR 15m long: doji pause, 2 Mar 16:00"
    event.data["entry_style"] = "early"
    event.data["entries"]["early"] |= {
        "risk": None,
        "objectives": [],
        "reason": "not plannable: the stop 101.25 is not beyond the entry 101.20",
    }
    words = alert(Message(event), "UTC", None)
    said = "not plannable: the stop 101.25 is not beyond the entry 101.20; stop 100.15"
    assert words.headline == f"HARBOUR 15m long: {said}"
    assert words.glance == "Exit: ride."


@pytest.mark.parametrize(
    ("size", "reason", "line", "why"),
    [
        (None, "no equity given", ", size not given, room", "Size not given: no equity given."),
        ("0", "too small to trade: 10 EUR", ", size 0, room", "Size 0: too small to trade: 10 EUR."),
        ("0.5", "risk limit 10", ", size 0.5, 0.60 EUR at risk, room", ""),
        ("1250000", "risk limit", ", size 1\u202f250\u202f000, 1\u202f500\u202f000.00 EUR at risk, room", ""),
    ],
)
def test_no_size_is_an_answer_with_its_reason(size: str | None, reason: str, line: str, why: str) -> None:
    event = setup_event()
    at_risk = None if size is None else f"{Decimal(size) * Decimal('1.20'):f}"
    event.data["entries"]["break"] |= {"size": size, "size_reason": reason, "at_risk": at_risk}
    words = alert(Message(event), "UTC", None)
    assert line in words.headline
    assert ("Size" in words.against) == bool(why)
    assert why in words.against


@pytest.mark.parametrize(
    ("style", "said"),
    [
        ("early", EARLY_LINE),
        ("break", LINE),
    ],
)
def test_the_line_says_which_order_it_is_and_how_long_it_is_valid(style: str, said: str) -> None:
    event = setup_event()
    event.data["entry_style"] = style
    assert alert(Message(event), BERLIN, None).news == said
    event.data["entry_style"] = "average"
    event.data["entries"]["average"] = event.data["entries"]["break"]
    event.data["valid_until"] = None
    assert alert(Message(event), BERLIN, None).news == (
        "entry at the open after a close above the fast average, about 101.35, stop 100.15, size 833, "
        "999.60 EUR at risk, room 2.38 R, for 3 bars"
    )
    event.data["entry_within"] = 1
    event.data["direction"] = "short"
    words = alert(Message(event), BERLIN, None)
    assert words.news.startswith("entry at the open after a close below the fast average, about 101.35, ")
    assert words.news.endswith(", for 1 bar")
    assert ("valid", "for 1 bar") in [(figure.name, figure.value) for figure in words.figures]
    assert words.figures[0].name == "entry, sell after a close below the fast average"


@pytest.mark.parametrize("style", ["early", "break", "average"])
@pytest.mark.parametrize("size", [None, "0", "833"])
def test_a_size_for_an_estimated_entry_says_so(style: str, size: str | None) -> None:
    event = setup_event()
    event.data["entry_style"] = style
    event.data["entries"][style] = event.data["entries"]["break"] | {"size": size}
    told = " The size is for an entry at 101.35: at an open further from the stop, take less."
    words = alert(Message(event), BERLIN, None)
    assert words.wrong.endswith(told) == (style != "break" and size == "833")
    look = "No message comes at the close that confirms the entry: look at each close yourself."
    assert (look in words.wrong) == (style == "average")


@pytest.mark.parametrize("void", ["void after an open above 101.90", "void if it opens above 101.50, or at the stop"])
def test_which_opens_void_the_entry_is_said_wherever_one_acts_on_it(void: str) -> None:
    """The rest of the reason is only among the details."""
    event = setup_event()
    event.data["entries"]["break"]["reason"] = f"it is told how; {void}; the stop is nearer than the costs"
    for text in (alert(Message(event), BERLIN, None).wrong, alert(Message(event), BERLIN, None).notification()[1]):
        assert f"; after it, at the stop 100.15. The entry is {void}. Place the stop" in text


def test_what_else_spoils_a_setup_is_said_with_where_it_is_wrong() -> None:
    event = setup_event()
    event.data["spoiled_by"] = "a close below 99.40"
    spoiled = "below 100.15, once the MACD line crosses back, or a close below 99.40; after it, at the stop 100.15."
    assert spoiled in alert(Message(event), BERLIN, None).wrong


def test_the_key_figures_are_those_of_the_line() -> None:
    words = alert(Message(setup_event()), BERLIN, None)
    assert [(figure.name, figure.value) for figure in words.figures] == [
        ("entry, buy stop", "101.35"),
        ("stop", "100.15"),
        ("size", "833"),
        ("money at risk", "999.60 EUR"),
        ("room", "2.38 R"),
        ("valid until", "Mon 2 Mar 17:45 Berlin"),
        ("1R", "102.55"),
        ("2R", "103.75"),
        ("3R", "104.95"),
        ("obstacle", "104.20"),
        ("R, entry to stop", "1.20"),
        ("exit", "ride"),
    ]


def test_with_no_obstacle_ahead_there_is_no_room_to_give() -> None:
    event = setup_event()
    event.data["entries"]["break"] |= {"obstacle": None, "room": None, "obstacle_text": "none above"}
    event.data["levels"]["obstacle"] = None
    words = alert(Message(event), "UTC", None)
    figures = {figure.name: figure.value for figure in words.figures}
    assert (figures["room"], figures["obstacle"]) == ("no obstacle ahead", "none")
    assert ", 999.60 EUR at risk, no obstacle ahead, until" in words.headline
    assert "\n  obstacle: none (none above)\n" in words.plain()
    assert "room" not in f"{words.headline} {words.glance}"


def test_a_setup_that_needs_no_place_names_none() -> None:
    event = setup_event()
    event.data["place"] = None
    for each in event.data["places"].values():
        each["verdict"] = False
    words = alert(Message(event), "UTC", None)
    assert words.title == "HARBOUR 15m long: doji pause"
    assert words.lead.startswith("Doji pause. Bar closed ")


def test_a_notification_begins_with_the_line_and_goes_on_with_place_and_what_speaks_against_it() -> None:
    title, text = alert(
        Message(setup_event(), notes=Notes(("Taking it would bring the risk to 2 R.",))), BERLIN, None
    ).notification()
    lines = text.splitlines()
    assert title == "HARBOUR 15m long: doji pause at a trend line"
    assert lines[0] == f"HARBOUR 15m long: {LINE}"
    assert lines[1].startswith("Doji pause at a trend line 99.85 (also a level 99.90). ")
    assert lines[2].startswith(
        "What speaks against it: volatility 1.31, wanted at most 1.15 (loud: ATR in means of its last 100 values). "
    )
    assert "Taking it would bring the risk to 2 R." in lines[2]
    assert lines[-1] == SHORT


def test_a_subject_has_size_and_room_and_is_the_same_for_all_that_follows() -> None:
    setup = setup_event()
    subject = "HARBOUR 15m long, size 833, room 2.38 R: doji pause, 2 Mar 17:00"
    assert conversation(Message(setup), BERLIN) == subject
    for kind in FOLLOWING:
        follows = Message(story_event(kind, setup), notes=Notes(setup=setup.data))
        assert conversation(follows, BERLIN) == subject
    unknown = conversation(Message(story_event("setup.entered", setup)), BERLIN)
    assert unknown == "HARBOUR 15m long: doji pause, 2 Mar 17:00"


def measure(measured: float | None, threshold: str, *, verdict: bool = True) -> Measure:
    return {"measured": measured, "threshold": threshold, "verdict": verdict, "text": "measured so, in ATR"}


@pytest.mark.parametrize(
    ("rules", "said"),
    [
        (
            {"doji_body": measure(0.11, "<= 0.12"), "solid": measure(0.9, ">= 0.5")},
            "doji body 0.11, wanted at most 0.12",
        ),
        ({"long": measure(1.02, ">= 1"), "alike": measure(0.6, "0.5714 to 1.75")}, "long 1.02, wanted at least 1"),
        ({"alike": measure(1.7, "0.5714 to 1.75"), "up": measure(0.01, "> 0")}, "alike 1.7, wanted at most 1.75"),
        ({"traded": measure(3.0, ">= 3"), "solid": measure(0.9, ">= 0.5")}, "solid 0.9, wanted at least 0.5"),
        ({"up": measure(0.01, "> 0"), "own": measure(None, "covers it")}, ""),
    ],
)
def test_the_closest_rule_is_the_one_nearest_to_its_bound(rules: dict[str, Measure], said: str) -> None:
    assert rules_in_a_line(rules) == "All 2 rules hold" + (f"; closest to failing: {said}." if said else ".")


HEADLINES = {
    "setup.forming": "Forming: HARBOUR 15m long doji pause; needs a close above 100.65 by Mon 2 Mar 17:00 Berlin",
    "setup.qualified": f"HARBOUR 15m long: {LINE}",
    "setup.set_aside": f"Set aside: HARBOUR 15m long: {LINE}",
    "setup.withdrawn": "Withdrawn: HARBOUR 15m long no longer holds",
    "setup.entered": "HARBOUR 15m long: entered at 101.40, stop 100.15, size 833, R 1.25",
    "setup.stop_raised": "HARBOUR 15m long: move the stop: sell stop 100.90, was 100.15, size 833; "
    "now +0.72 R, −0.40 R at the stop",
    "setup.pressure": "HARBOUR 15m long: pressure 1 of 2, it is told here why; now +0.64 R, stop 100.90, size 833",
    "setup.exit_signal": "HARBOUR 15m long: exit signal: sell at the next open, size 833; now +1.16 R",
    "setup.closed": "HARBOUR 15m long: closed +1.12 R, +1166.20 EUR before costs: left at 102.80 on pressure",
    "setup.lapsed": "HARBOUR 15m long: lapsed: cancel the buy stop 101.35; it is told here why",
    "setup.spoiled": "HARBOUR 15m long: spoiled: cancel the buy stop 101.35; it is told here why",
    "setup.broken_off": "HARBOUR 15m long: no longer followed, look at it yourself: entered at 101.40, stop 100.90",
    "series.held": "On hold: HARBOUR 15m, no setups until 250 more bars",
    "series.resumed": "Watched again: HARBOUR 15m",
    "feed.late": "Feed late: HARBOUR, 2 series, since Mon 2 Mar 2026 17:00 Berlin",
    "feed.back": "Feed back: HARBOUR, 37 bars caught up",
    "station.caught_up": "HARBOUR caught up: 1250 bars, 2 setups and endings too old to act on",
    "station.watching": "HARBOUR is still watching: 12 series, 1 setup, no problem",
}


def test_every_kind_has_a_headline_of_its_own() -> None:
    assert set(HEADLINES) == set(get_args(Kind))
    said = {kind: alert(Message(event), BERLIN, None) for kind, event in one_of_each().items()}
    assert {kind: words.headline for kind, words in said.items()} == HEADLINES
    for kind, words in said.items():
        told = f"{words.lead} {words.against}"
        assert kind == "setup.qualified" or "t is told here why" in told or kind == "station.watching"
        assert ("Mon 2 Mar 2026 1" in words.lead and " Berlin" in words.lead) or kind == "station.watching"


def test_a_withdrawal_says_whether_the_setup_holds_in_another_form() -> None:
    gone, otherwise = withdrawn_event(setup_event()), withdrawn_event(setup_event())
    otherwise.data["otherwise"] = True
    said = [alert(Message(event), BERLIN, None) for event in (gone, otherwise)]
    assert [words.headline for words in said] == [
        "Withdrawn: HARBOUR 15m long no longer holds",
        "Withdrawn: HARBOUR 15m long no longer holds as reported",
    ]
    assert said[0].wrong.startswith("Cancel an entry order that is still in the market. If it was filled, ")
    assert said[1].wrong == (
        "If you have acted on it, look at your orders and your stop: they follow the old levels. Another alert "
        "gives the new ones, unless the setup is set aside or has less evidence than you ask for."
    )
    del gone.data["otherwise"]  # as in a store of an earlier release
    assert alert(Message(gone), BERLIN, None) == said[0]


def test_a_late_feed_says_which_bar_is_the_first_that_is_missing() -> None:
    lead = alert(Message(one_of_each()["feed.late"]), BERLIN, NEW_YORK).lead
    assert lead.endswith("The first bar that is missing closed Mon 2 Mar 2026 17:00 Berlin (11:00 New York).")


def test_the_caution_is_shown_wherever_a_setup_is_named() -> None:
    about_setups = {
        kind for kind, event in one_of_each().items() if alert(Message(event), "UTC", None).caution == SHORT
    }
    assert about_setups == {
        "setup.forming",
        "setup.qualified",
        "setup.set_aside",
        "setup.withdrawn",
        *FOLLOWING,
        "station.caught_up",
        "station.watching",
    }


def test_a_digest_names_and_numbers_all_and_cautions_once() -> None:
    setup = setup_event()
    messages = [Message(setup), Message(withdrawn_event(setup)), Message(setup_event("GANNET"))]
    words = say(messages, BERLIN, {"HARBOUR": NEW_YORK})
    text = words.plain()
    assert text.startswith("3 alerts: 2 setups, 1 withdrawn\n\n1. GANNET 15m long: entry 101.35 (buy stop), stop")
    assert "\n2. Withdrawn: HARBOUR" in text
    assert "\n3. HARBOUR 15m long: entry" in text
    assert text.count(SHORT) == 1
    assert text.count("(11:00 New York)") == 2, "only the instrument whose exchange is known is told in its time"
    heads = [part.headline for part in words.parts]
    assert words.notification()[0] == words.headline
    assert words.brief().splitlines() == words.brief(3).splitlines() == heads
    assert words.brief(2).splitlines() == [*heads[:2], "and 1 more"]


@given(st.text(st.characters(exclude_categories=())), st.text(st.characters(exclude_categories=())), st.booleans())
def test_no_name_and_no_reason_breaks_out(name: str, reason: str, late: bool) -> None:
    events = list(one_of_each(name, reason).values())
    for event in events:
        words = alert(Message(event, late=late), BERLIN, NEW_YORK)
        assert len(words.headline) <= HEADLINE_LENGTH
        assert len(words.title) <= TITLE_LENGTH
        for text in texts(words):
            assert not hidden(text)
            assert len(text.splitlines()) <= 1
            text.encode()
    whole = digest([Message(event, late=late) for event in events], BERLIN, {})
    assert whole.headline.startswith("18 alerts: ")
    assert len(whole.headline) <= TITLE_LENGTH
    assert not hidden(whole.plain().replace("\n", " "))


@pytest.mark.parametrize("kind", get_args(Kind))
def test_a_headline_keeps_its_length_and_its_name(kind: Kind) -> None:
    for name in HOSTILE_NAMES.values():
        headline = alert(Message(one_of_each(name)[kind], late=True), BERLIN, None).headline
        assert len(headline) <= HEADLINE_LENGTH
    assert "LONDON-BRENT-2026-12" in alert(Message(one_of_each("LONDON-BRENT-2026-12")[kind]), "UTC", None).headline


def test_long_prices_shorten_the_name_and_never_themselves() -> None:
    event = setup_event("N" * 40)
    event.data["levels"]["stop"] = "0.000000019999"
    event.data["entries"]["break"] |= {"price": "0.000000021234", "size": "1250000000", "at_risk": "123456789.00"}
    headline = alert(Message(event, late=True), "America/Argentina/Buenos_Aires", None).headline
    assert (
        "… 15m long: entry 0.000000021234 (buy stop), stop 0.000000019999, size 1\u202f250\u202f000\u202f000,"
        in headline
    )
    assert headline.endswith("123\u202f456\u202f789.00 EUR at risk, room 2.38 R, until Mon 2 Mar 13:45 Buenos Aires")
    assert len(headline) <= HEADLINE_LENGTH


def test_a_name_written_from_right_to_left_leaves_the_numbers_on_their_side() -> None:
    name = "\u05e9\u05dc\u05d5\u05dd"
    headline = alert(Message(setup_event(name)), "UTC", None).headline
    assert headline.startswith(f"\u200e{name}\u200e 15m long: ")


@pytest.mark.parametrize(
    ("user", "exchange", "said"),
    [
        # Sunday 8 March 2026 is the first day of summer time in New York, in Berlin it is 29 March.
        (BERLIN, NEW_YORK, "Mon 9 Mar 2026 21:00 Berlin (16:00 New York)"),
        (NEW_YORK, NEW_YORK, "Mon 9 Mar 2026 16:00 New York"),
        (BERLIN, "Europe/Paris", "Mon 9 Mar 2026 21:00 Berlin"),
        ("UTC", "Asia/Tokyo", "Mon 9 Mar 2026 20:00 UTC (Tue 10 Mar 05:00 Tokyo)"),
        ("UTC", "Asia/Kathmandu", "Mon 9 Mar 2026 20:00 UTC (Tue 10 Mar 01:45 Kathmandu)"),
    ],
)
def test_times_in_both_zones(user: str, exchange: str, said: str) -> None:
    """Summer time of New York, 2026: the close of Monday 9 March is 20:00 UTC (exchange calendar, from memory)."""
    close = BAR_CLOSE + (7 * 24 + 4) * 3_600_000_000_000
    assert moment(close, user, exchange) == said


@pytest.mark.parametrize("zone", ["", "Mars/Olympus", "../UTC", "Europe", "N" * 9_999, "a\0b"])
def test_an_unknown_zone_is_refused_with_a_sentence(zone: str) -> None:
    with pytest.raises(ValueError, match=r"there is no time zone .*; give a name such as Europe/Berlin or UTC"):
        known_zone(zone)


def test_a_summary_counts_what_it_does_not_name() -> None:
    closes = [BAR_CLOSE + hour * 3_600_000_000_000 for hour in range(10)]
    found = [found_in_short("GANNET", close) for close in closes]
    found[1] |= {"what": "lapsed", "room": None}
    setups = [f"GANNET/15m long {rfc3339(close)}" for close in closes]
    data = {"station": "loft", "reason": "so many", "series": 3, "bars": 40}
    data |= {"setups_found": 289, "setups": setups, "found": found, "troubles": []}
    event = Event("station.caught_up", "f" * 32, 1_717_400_000 * 10**9, "loft", data)
    words = alert(Message(event), BERLIN, None)
    assert "289 setups and endings too old" in words.headline
    listed = words.plain().partition("Details\n")[2].splitlines()
    assert listed[0] == (
        "  Tue 3 Mar 02:00 Berlin: GANNET 15m long (doji pause: entry 101.35, stop 100.15, size 833, room 2.38 R)"
    )
    assert listed[8] == "  Mon 2 Mar 18:00 Berlin: GANNET 15m long (lapsed: entry 101.35, stop 100.15, size 833)"
    assert listed[10] == "  setup: and 279 more"
    assert (
        words.brief().splitlines()[1].startswith("GANNET 15m long Tue 3 Mar 02:00 Berlin, doji pause: entry 101.35, ")
    )
    assert words.brief().splitlines()[1].endswith("room 2.38 R; and 285 more."), "the newest four, on a phone"
    del data["found"]  # as in a store of an earlier release
    assert "setup: GANNET/15m long 2026-03-03T01:00:00Z" in alert(Message(event), BERLIN, None).plain()


def test_a_summary_keeps_the_whole_sentence_of_a_trouble_since_what_to_do_comes_last() -> None:
    troubles = [
        "feed coast: https://bars.example.org/v2?symbols=HRB,MLL: answered 401 (Unauthorized); check secret_headers",
        "feed isle late: no bar since 12:15",
        "the clock was set back by 3,600 s; a bar is looked at once the clock shows its close",
        "the configuration was not taken, the list stays as it was: watch.toml:15: no such setting",
        "sink mail: " + "x" * 400,
    ]
    data = {"station": "loft", "reason": "still watching", "series": 3, "bars": 40}
    data |= {"setups_found": 0, "setups": [], "found": [], "troubles": troubles}
    words = alert(Message(Event("station.watching", "f" * 32, 1_717_400_000 * 10**9, "loft", data)), BERLIN, None)
    cut = "x" * (TEXT_LENGTH - 1) + "…"
    assert words.plain().partition("Details\n")[2].partition("\n\n")[0].splitlines() == [
        f"  problem: feed coast ({troubles[0].removeprefix('feed coast: ')})",
        "  problem: feed isle late (no bar since 12:15)",
        f"  problem: station ({troubles[2]})",
        f"  problem: station ({troubles[3]})",
        f"  problem: sink mail ({cut})",
    ]
    for told in troubles[:4]:
        assert html_text(told.removeprefix("feed coast: ").removeprefix("feed isle late: ")) in html(words)
