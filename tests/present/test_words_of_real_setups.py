"""Words for the setups that the engine finds on real daily bars, whatever the entry style and the account."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.analysis.rules import Rules
from scanner.engine.series_engine import SeriesEngine
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.ports import Message
from scanner.present.words.words import alert
from scanner.trade.size import Account
from tests.laws import all_setups, real_series, timetable

if TYPE_CHECKING:
    from scanner.event_data import EntryStyle
    from scanner.events import Event

PRICE, AMOUNT = r"\d+\.\d\d", r"[\d.\u202f]+"
ENTRY = rf"entry (?:at the .*?, about )?(?P<entry>{PRICE})(?: \((?:buy|sell) stop\))?"
SIZE = rf"size (?:not given|0|{AMOUNT}, {AMOUNT} USD at risk)"
ROOM = rf"(?:room {PRICE} R|no obstacle ahead)"
PLAN = rf"{ENTRY}, stop (?P<stop>{PRICE}), {SIZE}, {ROOM}, (?:for the next open only|for \d bars?)"
NO_PLAN = rf"(?:no average entry|not plannable): [^;]+; stop (?P<no_plan>{PRICE})"
HEADLINE = re.compile(rf"S&P 500 1d (?:long|short): (?:{PLAN}|{NO_PLAN})")
ACCOUNTS = [Account(), *(Account(equity=Decimal(equity), currency="USD") for equity in (50_000, 50))]


def setups(style: EntryStyle, account: Account) -> list[Event]:
    """Find the setups in the S&P 500, daily, 1999 to 2018 (arch.data.sp500 of the econometrics library arch)."""
    instrument = Instrument("S&P 500", PriceSteps.fixed(Decimal("0.01")), currency="USD")
    engine = SeriesEngine(instrument, timetable("1d"), all_setups(Rules(entry_style=style)), account)
    return [event for event in engine.push(real_series("sp500")) if event.facts.begins]


@pytest.mark.parametrize("account", ACCOUNTS, ids=["no equity", "some", "too little"])
@pytest.mark.parametrize("style", ["early", "break", "average"])
def test_every_headline_says_what_to_do_or_why_not(style: EntryStyle, account: Account) -> None:
    events = setups(style, account)
    assert events
    for event in events:
        words, entry = alert(Message(event), "UTC", "America/New_York"), event.data["entries"][style]
        found = HEADLINE.fullmatch(words.headline)
        assert found
        assert found["entry"] == (entry["price"] if entry["risk"] else None)
        assert (found["stop"] or found["no_plan"]) == event.data["levels"]["stop"]
        held = [place for place in event.data["places"].values() if place["verdict"]]
        assert [line.value for line in words.why[: len(held)]] == [place["price"] for place in held]
        plus = sum(line.name.startswith("+ ") for line in words.why)
        assert plus + len(held) == event.data["evidence_points"], "what is shown adds up to the points of evidence"
        if entry["risk"] is not None:
            assert ("no equity given" in words.against) == (account.equity is None)
            assert ("too small to trade" in words.against) == (entry["size"] == "0")
        rules = event.data["rules"]
        assert words.folded.startswith("The rule holds" if len(rules) == 1 else f"All {len(rules)} rules hold")
