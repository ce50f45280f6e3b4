"""The events of setups and of holds, and the setup to follow from its event."""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING

from scanner.events import Event, event_id, rfc3339, setup_id
from scanner.follow.found import Found
from scanner.trade.levels import BEYOND_SLOW, PRICE, STOP
from scanner.trade.plan import STYLES

if TYPE_CHECKING:
    from typing import Literal

    from scanner.event_data import EntryStyle, SeriesData, SetupData
    from scanner.events import Kind
    from scanner.judgement import Case, Judgement, Weighed
    from scanner.market.sessions.timetables import Timetable

NEVER = 2**31
"""More bars than any wait lasts."""
MOST_AHEAD = 1000
"""The most bars of a wait for which its end is worked out."""


def setup_event(found: Judgement, case: Case, alongside: list[str]) -> Event:
    """Make the event of a judged setup; ``alongside`` are the other setups at its bar."""
    instrument, timeframe = case.instrument, case.timetable.timeframe.name
    kind: Kind = "setup.set_aside" if found.set_aside else "setup.qualified"
    plan = found.plan
    if plan is None:
        raise AssertionError("only a warm series has events of setups")
    style, chosen = plan.style, plan.entries[plan.style]
    within = min(case.rulebook.follow.max_wait, found.spoiled_after or NEVER)
    until = _valid_until(case.timetable, found.bar_close, style, within)
    data: SetupData = {
        "instrument": instrument.symbol,
        "timeframe": timeframe,
        "setup": found.setup.name,
        "title": found.setup.title,
        "direction": found.direction,
        "bars": [{"letter": letter, "name": name} for letter, name in found.setup.bars],
        "bar_open": rfc3339(found.bar_open),
        "bar_close": rfc3339(found.bar_close),
        "close": instrument.steps.written(found.close),
        "step": f"{instrument.steps.at(found.close):f}",
        "currency": instrument.currency,
        "place": found.place,
        "rules": found.rules,
        "places": found.places,
        "surroundings": found.surroundings,
        "set_aside": found.set_aside,
        "alongside": alongside,
        "evidence": found.evidence,
        "evidence_points": found.evidence_points,
        "evidence_total": found.evidence_total,
        "levels": plan.levels,
        "level_reasons": plan.level_reasons,
        "entry_style": style,
        "entry_within": within,
        "valid_until": None if until is None else rfc3339(until),
        "entries": plan.entries,
        "spoiled_by": found.spoiled_by,
        "exit_plan": plan.exit_plan,
        "size": chosen["size"],
        "size_reason": chosen["size_reason"],
        "account_currency": case.account.currency,
        "warnings": found.warnings,
    }
    name = setup_id(instrument.symbol, timeframe, found.setup.name, found.direction, found.bar_close)
    return Event(kind, name, found.bar_close, f"{instrument.symbol}/{timeframe}", data, thread=name)


def _valid_until(timetable: Timetable, bar_close: int, style: EntryStyle, within: int) -> int | None:
    """Give the end of the wait for an entry; None if the sessions are unknown, or the wait is very long.

    Only a break entry can be filled after the open of the last bar.
    """
    if within > MOST_AHEAD:
        return None
    coming = _coming(timetable, bar_close, 1 if style == "early" else within)
    return None if coming is None else coming[style == "break"]


@lru_cache(64)  # for many series that close together
def _coming(timetable: Timetable, bar_close: int, bars: int) -> tuple[int, int] | None:
    """Give open and close of the bar that is ``bars`` bars after a close; None if unknown."""
    coming: tuple[int, int] | None = (bar_close, bar_close)
    for _ in range(bars):
        coming = None if coming is None else timetable.next_known(coming[1])
    return coming


def series_event(
    kind: Literal["series.held", "series.resumed"], case: Case, times: tuple[int, int], reason: str, ready_after: int
) -> Event:
    """Make the event of a hold that begins or ends at a bar; ``times`` are its open and close."""
    symbol, timeframe, (open_time, close_time) = case.instrument.symbol, case.timetable.timeframe.name, times
    data: SeriesData = {
        "instrument": symbol,
        "timeframe": timeframe,
        "bar_open": rfc3339(open_time),
        "bar_close": rfc3339(close_time),
        "reason": reason,
        "ready_after": ready_after,
    }
    return Event(kind, event_id(kind, symbol, timeframe, str(close_time)), close_time, f"{symbol}/{timeframe}", data)


def found_of(weighed: Weighed, number: int, said: Event) -> Found:
    """Give the setup of a row that is followed.

    Its event, ``said``, gives the words, the size and which sinks hear of it. That may be an earlier event, published
    of the same setup by another account and configuration.
    """
    fits, row = weighed.fits, weighed.rows[number]
    entry = weighed.price(number, PRICE + STYLES.index(fits.pool.rules.entry_style))
    stop = weighed.price(number, STOP)
    if entry is None or stop is None:
        raise AssertionError("a setup to follow must have an entry and a stop")
    setup, size = fits.chosen(row).setup, said.data["size"]
    return Found(
        thread=said.thread,
        setup=setup.name,
        title=setup.title,
        sign=int(fits.spots[row, 2]),
        set_aside=bool(said.data["set_aside"]),
        evidence_points=said.data["evidence_points"],
        close=said.data["bar_close"],
        trigger=float(fits.levels["trigger"][row]),
        entry=entry,
        stop=stop,
        size=None if size is None else Decimal(size),
        ride=bool(weighed.planned[number, BEYOND_SLOW]),
        spoiled_by=said.data["spoiled_by"],
    )
