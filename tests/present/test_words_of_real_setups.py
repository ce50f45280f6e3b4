"""Words for the setups that the engine finds on real daily bars, whatever the entry style and the account."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.analysis.rules import Rules
from scanner.engine import SeriesEngine
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.ports import Message
from scanner.present.words import alert
from scanner.trade.size import Account
from tests.laws import all_setups, real_series, timetable

if TYPE_CHECKING:
    from scanner.event_data import EntryStyle
    from scanner.events import Event

PRICE = r"\d+\.\d\d"
HEADLINE = re.compile(
    rf"S&P 500 1d (long|short): (no average entry|(early|break|average) entry ({PRICE})), stop ({PRICE})(, R {PRICE})?"
)
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
        assert (found[4], found[5]) == (entry["price"], event.data["levels"]["stop"])
        held = [place for place in event.data["places"].values() if place["verdict"]]
        assert [line.value for line in words.why[: len(held)]] == [place["price"] for place in held]
        plus = sum(line.name.startswith("+ ") for line in words.why)
        assert plus + len(held) == event.data["evidence_points"], "what is shown adds up to the points of evidence"
        if entry["price"] is not None:
            size = "Size not given, no equity given." if account.equity is None else f"Size {entry['size']}"
            assert words.glance.startswith(size)
            assert ("too small to trade" in words.glance) == (entry["size"] == "0")
