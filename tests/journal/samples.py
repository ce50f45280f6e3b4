"""Invented stories of setups, and stores that hold them."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, cast

from scanner.events import Event, event_id, rfc3339
from scanner.journal.stories import stories
from scanner.store import Batch, KeptEvent, Said, Store
from tests.adapters.samples import BAR_CLOSE, setup_data

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from scanner.event_data import Direction, SetupData, State
    from scanner.events import Kind
    from scanner.journal.stories import Story

HOUR = 3_600 * 1_000_000_000
DAY = 24 * HOUR


def found(
    instrument: str = "GANNET",
    *,
    at: int = BAR_CLOSE,
    direction: Direction = "long",
    aside: str = "",
    **changes: object,
) -> Event:
    """Say that a setup stands, to be entered at 101.35 with its stop at 100.15 (short: 101.05 and 102.25), size 833."""
    data = cast("SetupData", setup_data(instrument, "1h", direction, at) | {"set_aside": aside} | changes)
    kind: Kind = "setup.set_aside" if aside else "setup.qualified"
    name = event_id(kind, instrument, direction, str(at))
    return Event(kind, name, at, f"{instrument}/1h", data, thread=name)


def told(setup: Event, kind: Kind, bars: int, state: State, **changes: object) -> Event:
    """Make an event of a setup after some bars, filled as planned unless ``changes`` say otherwise."""
    said: SetupData = setup.data
    planned, time = said["entries"][said["entry_style"]], setup.time + bars * HOUR
    entered = state not in {"waiting", "lapsed", "spoiled"}
    data = {
        "instrument": said["instrument"],
        "timeframe": said["timeframe"],
        "setup": said["setup"],
        "title": said["title"],
        "direction": said["direction"],
        "set_aside": bool(said["set_aside"]),
        "evidence_points": said["evidence_points"],
        "setup_close": said["bar_close"],
        "bar_open": rfc3339(time - HOUR),
        "bar_close": rfc3339(time),
        "close": said["close"],
        "step": said["step"],
        "currency": said["currency"],
        "entry_style": said["entry_style"],
        "exit_style": said["exit_plan"]["style"],
        "state": state,
        "reason": "it is told here why",
        "planned_entry": planned["price"] or "",
        "planned_risk": planned["risk"] or "",
        "entry": planned["price"] if entered else None,
        "risk": planned["risk"] if entered else None,
        "first_stop": said["levels"]["stop"],
        "stop": said["levels"]["stop"],
        "exit": None,
        "half_exit": None,
        "r": "0.40" if entered else None,
        "r_at_stop": "-1.00" if entered else None,
        "best_r": "0.75" if entered else None,
        "worst_r": "-0.25" if entered else None,
        "cost_r": None,
        "size": said["size"],
        "point_value": "1",
        "result": None,
        "bars_waited": 1,
        "bars_held": max(bars - 1, 0) if entered else 0,
        "pressure": [],
        "pressure_needed": 2,
        "orders": _orders(said, kind) if state == "open" else "",
        "next": "a confirmed swing low above the stop raises it",
        "warnings": [],
    }
    name = event_id(kind, setup.thread, str(time))
    return Event(kind, name, time, setup.subject, data | changes, thread=setup.thread)


def _orders(setup: SetupData, kind: Kind) -> str:
    stop = f"sell stop {setup['levels']['stop']}"
    return f"{stop}; or sell at the next open" if kind == "setup.exit_signal" else stop


def closed(setup: Event, bars: int, exit_price: str, state: State = "left", cost: str | None = "0.05") -> Event:
    """Close a setup that was filled as planned."""
    said: SetupData = setup.data
    planned = said["entries"][said["entry_style"]]
    gain = (Decimal(exit_price) - Decimal(planned["price"] or 0)) * (1 if said["direction"] == "long" else -1)
    return told(
        setup,
        "setup.closed",
        bars,
        state,
        exit=exit_price,
        r=f"{gain / Decimal(planned['risk'] or 1):.2f}",
        r_at_stop=None,
        cost_r=cost,
        result=f"{gain * Decimal(said['size'] or 0):f}",
    )


def one_story(*events: Event) -> Story:
    """Put events together as a store would number them."""
    (story,) = stories(kept(events))
    return story


def kept(events: Iterable[Event]) -> list[KeptEvent]:
    return [KeptEvent(number, event, 0) for number, event in enumerate(events, start=1)]


def again(setup: Event, **changes: object) -> Event:
    """Repeat a setup as after a restated bar: with another id, in the same thread."""
    return replace(setup, id=event_id("again", setup.id), data=setup.data | changes)


def keep(path: Path, *events: Event, now: int = BAR_CLOSE) -> None:
    """Make a store, or open it as its owner, and keep events in it."""
    with Store.open(path, lambda: now) as store:
        store.commit(Batch(said=[Said(event) for event in events]))
