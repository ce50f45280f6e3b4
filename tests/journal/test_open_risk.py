"""Open risk, computed by hand: stops at 1.20 from the entry, sizes of 833, in euros unless said otherwise."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.commands.station.risk_notes import RiskNotes
from scanner.configuration.model.settings import from_document
from scanner.journal.open_risk import Position, at_risk, old_rate, with_it
from scanner.journal.open_stories import OpenStories
from scanner.journal.stories import stories
from scanner.store import Batch, Said, Store
from scanner.trade.limits import Limits
from tests.adapters.samples import BAR_CLOSE
from tests.journal.samples import HOUR, closed, found, one_story, told

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.configuration.model.settings import Settings
    from scanner.events import Event

ONE = Decimal(1)


def risk_of(*events: Event, rate: Decimal | None = ONE) -> tuple[str, str] | None:
    position = at_risk(one_story(*events), [], "shares", Decimal(2), rate)
    return None if position is None else (f"{position.r}", f"{position.money}")


def test_what_is_at_risk_is_what_the_stop_would_lose() -> None:
    setup = found()
    opened = told(setup, "setup.entered", 1, "open")
    assert risk_of(setup) is None, "it waits, and was not taken"
    assert risk_of(setup, opened) == ("1.00", "1999.2000")  # 1.20 x 833 x 2
    raised = told(setup, "setup.stop_raised", 2, "open", r_at_stop="-0.25")
    assert risk_of(setup, opened, raised) == ("0.25", "499.8000")
    assert risk_of(setup, opened, told(setup, "setup.stop_raised", 3, "open", r_at_stop="0.50")) == ("0", "0.00")
    halved = told(setup, "setup.exit_signal", 4, "open", half_exit="102.55", r_at_stop="0.00")  # half closed at +1 R
    assert risk_of(setup, opened, halved) == ("0.50", "999.6000"), "what was closed cannot make up for the rest"
    worse = told(setup, "setup.entered", 1, "open", entry="101.65", risk="1.50")
    assert risk_of(setup, worse) == ("1.2500", "2499.0000"), "the size is for the planned 1.20"
    assert risk_of(setup, opened, raised, rate=Decimal("0.5")) == ("0.25", "249.90000")
    assert risk_of(setup, opened, rate=None) == ("1.00", "None")


def position(r: str, group: str = "shares", currency: str = "EUR", side: str = "long") -> Position:
    return Position("GANNET 1h long", group, currency, side, Decimal(r), Decimal(r) * 500)


@pytest.mark.parametrize(
    ("held", "limits", "expected"),
    [
        ([], Limits(), ["Taking it would bring the open risk to 1.00 R, 500.00 EUR; nothing else is open."]),
        (
            [position("0.50"), position("0", "metals")],
            Limits(),
            ["Taking it would bring the open risk to 1.50 R, 750.00 EUR, in 3 positions."],
        ),
        (
            [position("0.51")],
            Limits(),
            [
                "Taking it would bring the open risk to 1.51 R, 755.00 EUR, in 2 positions.",
                "Caution: that is 1.51 R in the group shares, above the ceiling of 1.5 R.",
            ],
        ),
        (
            [position("1", "a"), position("1.01", "b", side="short")],
            Limits(side_risk=Decimal(1), currency_risk=Decimal(3)),
            [
                "Taking it would bring the open risk to 3.01 R, 1505.00 EUR, in 3 positions.",
                "Caution: that is 3.01 R in all, above the ceiling of 3 R.",
                "Caution: that is 3.01 R in EUR, above the ceiling of 3 R.",
                "Caution: that is 2.00 R long, above the ceiling of 1 R.",
            ],
        ),
        (
            [replace(position("0.5"), money=None)],
            Limits(),
            ["Taking it would bring the open risk to 1.50 R, in 2 positions."],
        ),
    ],
)
def test_what_one_more_would_bring_it_to(held: list[Position], limits: Limits, expected: list[str]) -> None:
    assert with_it(position("1"), held, limits, "EUR") == expected


@pytest.mark.parametrize(("days", "is_told"), [(9, False), (8, True)])
def test_a_rate_older_than_the_user_allows_is_told(days: int, *, is_told: bool) -> None:
    said = old_rate("USD", date(2026, 3, 1), date(2026, 3, 10), days)
    assert said == (["Caution: the rate of USD is of 2026-03-01, 9 days ago."] if is_told else [])
    assert old_rate("USD", None, date(2026, 3, 10), days) == []


def settings(folder: Path, which: str = "all", calendar: str = "none", rate_of: str = "2026-03-01") -> Settings:
    document = {
        "account": {"equity": 50_000, "currency": "EUR", "fx": {"USD": 0.5}, "fx_date": rate_of},
        "follow": {"which": which},
        "defaults": {"feed": "tape", "timeframes": ["1h"], "step": 0.05, "currency": "EUR", "calendar": calendar},
        "groups": {"ships": {}},
        "instruments": {name: {"group": "ships"} for name in ("GANNET", "PETREL", "SKUA")}
        | {"TERN": {}, "KNOT": {"currency": "USD"}},
        "feeds": {"tape": {"type": "folder", "path": "."}},
        "sinks": {"screen": {"type": "console"}},
    }
    return from_document(document, folder, {})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: BAR_CLOSE) as opened:
        yield opened


def say(store: Store, *events: Event) -> None:
    store.commit(Batch(said=[Said(event) for event in events]))


def test_notes_go_by_the_stories_that_are_open_when_an_alert_leaves(store: Store, tmp_path: Path) -> None:
    notes, alert = RiskNotes(store, lambda: settings(tmp_path)), found("SKUA")
    gannet, petrel, tern = (found(name, at=BAR_CLOSE - 9 * HOUR) for name in ("GANNET", "PETREL", "TERN"))
    say(store, alert)
    alone = "Taking it would bring the open risk to 1.00 R, 999.60 EUR; nothing else is open."
    assert notes(alert) == [alone]
    say(store, gannet, petrel, tern, told(gannet, "setup.entered", 1, "open"), told(tern, "setup.entered", 1, "open"))
    assert notes(alert) == [
        "Taking it would bring the open risk to 3.00 R, 2998.80 EUR, in 3 positions.",
        "Caution: that is 2.00 R in the group ships, above the ceiling of 1.5 R.",
        "Same bet as GANNET 1h long, open.",
    ]
    say(store, closed(gannet, 4, "103.00"), closed(tern, 4, "103.00"), found("PETREL", at=BAR_CLOSE - 3 * HOUR))
    assert notes(alert) == [alone, "Same bet as PETREL 1h long."]
    assert notes(told(petrel, "setup.entered", 1, "open")) == [], "only an alert has notes"


def test_every_event_of_an_open_story_is_read_once_whenever_the_reading_began(store: Store) -> None:
    early = OpenStories(store)
    gannet, petrel, tern = map(found, ("GANNET", "PETREL", "TERN"))
    parts = [
        [],
        [gannet, tern, told(tern, "setup.entered", 1, "open"), told(gannet, "setup.entered", 1, "open")],
        [petrel, closed(tern, 2, "103.00"), told(gannet, "setup.stop_raised", 2, "open")],
        [told(petrel, "setup.entered", 1, "open")],
    ]
    for part in parts:
        say(store, *part)
        are_open = [story for story in stories(store.events.find()) if story.is_open]
        late = OpenStories(store)
        assert [early.look(), early.look(), late.look(), late.look()] == [are_open] * 4


def test_money_in_another_currency_is_converted_and_an_old_rate_is_named(store: Store, tmp_path: Path) -> None:
    alert, home = found("KNOT", currency="USD"), found("SKUA", currency="EUR")
    say(store, alert)
    risk = "Taking it would bring the open risk to 1.00 R, 499.80 EUR; nothing else is open."
    assert RiskNotes(store, lambda: settings(tmp_path))(alert) == [risk]
    notes = RiskNotes(store, lambda: settings(tmp_path, rate_of="2026-02-20"))
    assert notes(alert) == [risk, "Caution: the rate of USD is of 2026-02-20, 10 days ago."]
    assert len(notes(home)) == 1


@pytest.mark.parametrize(
    ("friday", "named"), [(16, ["Same bet as PETREL 1h long."]), (14, [])], ids=["two bars before", "four bars before"]
)
def test_bars_count_across_a_weekend_as_if_it_were_not_there(
    store: Store, tmp_path: Path, friday: int, named: list[str]
) -> None:
    monday = BAR_CLOSE - 7 * HOUR  # 09:00 in London: the first bar closes; Friday's last ones close at 16:00 and 16:30
    petrel, alert = found("PETREL", at=monday - (3 * 24 + 9 - friday) * HOUR), found("SKUA", at=monday)
    say(store, petrel, alert)
    assert RiskNotes(store, lambda: settings(tmp_path, calendar="XLON"))(alert)[1:] == named


def test_a_second_setup_of_an_instrument_is_the_same_bet_without_a_group(store: Store, tmp_path: Path) -> None:
    first, alert = found("TERN", at=BAR_CLOSE - 9 * HOUR), found("TERN")
    say(store, first, told(first, "setup.entered", 1, "open"), found("GANNET", at=BAR_CLOSE - HOUR), alert)
    assert RiskNotes(store, lambda: settings(tmp_path))(alert)[1:] == ["Same bet as TERN 1h long, open."]


def test_where_the_user_follows_what_they_took_that_alone_counts(store: Store, tmp_path: Path) -> None:
    notes, alert = RiskNotes(store, lambda: settings(tmp_path, "taken")), found("SKUA", direction="short")
    gannet, tern = (found(name, at=BAR_CLOSE - 9 * HOUR) for name in ("GANNET", "TERN"))
    say(store, alert, gannet, tern, told(gannet, "setup.entered", 1, "open"))
    assert len(notes(alert)) == 1
    # It waits for its entry: 1.20 x 100, and 100 of the 833 that are planned for 1 R.
    store.decisions.add(tern.thread, "take", size=Decimal(100))
    assert notes(alert) == ["Taking it would bring the open risk to 1.12 R, 1119.60 EUR, in 2 positions."]
    store.decisions.add(tern.thread, "leave")
    assert len(notes(alert)) == 1
    assert "nothing else is open" in notes(alert)[0]


def test_what_was_passed_is_no_position_until_it_is_taken_after_all(store: Store, tmp_path: Path) -> None:
    notes, alert = RiskNotes(store, lambda: settings(tmp_path)), found("SKUA")
    gannet = found("GANNET", at=BAR_CLOSE - 9 * HOUR)
    say(store, alert, gannet, told(gannet, "setup.entered", 1, "open"))
    open_risk = "Taking it would bring the open risk to 2.00 R, 1999.20 EUR, in 2 positions."
    assert notes(alert)[0] == open_risk
    store.decisions.add(gannet.thread, "pass")
    assert notes(alert) == ["Taking it would bring the open risk to 1.00 R, 999.60 EUR; nothing else is open."]
    store.decisions.add(gannet.thread, "take")
    assert notes(alert)[0] == open_risk
