"""How far back a series must reach to be warm."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.analysis.rules import Rules
from scanner.configuration.history_needed import enough_from
from scanner.configuration.model.settings import Watched
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Sequence


def watched(calendar: str, base: str, timeframes: Sequence[str], warm_up: int = 250) -> Watched:
    """Watch an invented instrument."""
    followed = tuple(Timeframe.named(name) for name in timeframes)
    return Watched(
        Instrument("GANNET", PriceSteps.fixed(Decimal("0.01")), calendar=calendar),
        "GNT",
        "harbour",
        "",
        calendar_named(calendar),
        Timeframe.named(base),
        followed,
        Rulebook(Rules(warm_up=warm_up)),
        (),
        None,
    )


def moment(text: str) -> int:
    """Read a time."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000_000


@pytest.mark.parametrize("calendar", ["24/7", "24/5", "XNYS", "XTKS"])
@pytest.mark.parametrize("timeframes", [["1m"], ["5m", "1h"], ["15m", "1d"], ["1w"]])
def test_every_timeframe_has_its_bars_and_hardly_more(calendar: str, timeframes: list[str]) -> None:
    now = moment("2026-03-18 15:20")
    each = watched(calendar, timeframes[0], timeframes)
    begin = enough_from(each, now)
    counts = [len(Timetable(each.calendar, frame).closes_between(begin, now)[0]) for frame in each.timeframes]
    # The hour that has begun may add to it, and the coarsest timeframe decides for all.
    assert 251 <= min(counts) <= 251 + 60 + 1
    assert len(set(counts)) == len(counts)


def test_with_unknown_sessions_it_reaches_back_over_nights_and_weekends() -> None:
    """Those of New York are used for unknown ones."""
    now = moment("2026-03-18 15:20")
    for name in ("1m", "15m", "1h", "1d"):
        begin = enough_from(watched("none", name, [name]), now)
        shares = Timetable(calendar_named("XNYS"), Timeframe.named(name))
        assert len(shares.closes_between(begin, now)[0]) >= 250


def test_a_longer_warm_up_reaches_further_back() -> None:
    now = moment("2026-03-18 15:20")
    short, long = (enough_from(watched("24/7", "1h", ["1h"], warm_up), now) for warm_up in (250, 500))
    assert (now - long) / (now - short) == pytest.approx(2, abs=0.02)
