"""Invented events that follow the setup of ``samples.setup_event``, with the figures that it would go on with."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from scanner.events import KINDS, Event, event_id, rfc3339
from tests.adapters.samples import QUARTER_HOUR, setup_event

if TYPE_CHECKING:
    from scanner.event_data import State, StoryData
    from scanner.events import Kind

FILL, FIRST_STOP, PLANNED = Decimal("0.20"), Decimal("-1.05"), Decimal("0.15")
RISK, SIZE = FILL - FIRST_STOP, 833
SPLIT = "opens near 1:2 of the last close, as after a split; put on hold until warm again"
FOLLOWING: list[Kind] = [kind for kind, facts in KINDS.items() if facts.follows and kind != "setup.withdrawn"]
"""The kinds that say how a setup goes on."""


class _At(NamedTuple):
    """The state of the story at one of its bars; prices are counted from the close of the setup, the way it goes.

    ``orders`` and ``reason`` are those of a long; ``{}`` in them stands for a price.
    """

    bars: int
    state: State
    close: str
    best: str
    worst: str
    stop: str = "-1.05"
    exit: str | None = None
    reason: str = ""
    orders: str = ""
    order_prices: tuple[str, ...] = ()
    pressure: tuple[str, ...] = ()


DRIVEN, CROSSED = "a drive bar against it", "a close back through the fast average"
AT: dict[Kind, _At] = {
    "setup.entered": _At(
        1,
        "open",
        "0.60",
        "0.70",
        "0.10",
        "-1.05",
        None,
        "filled at an open beyond the planned entry",
        "sell stop {}",
        ("-1.05",),
    ),
    "setup.stop_raised": _At(
        4,
        "open",
        "1.10",
        "1.45",
        "-0.05",
        "-0.30",
        None,
        "the stop follows a confirmed swing low",
        "sell stop {}, was {}",
        ("-0.30", "-1.05"),
    ),
    "setup.pressure": _At(
        6,
        "open",
        "1.00",
        "2.20",
        "-0.05",
        "-0.30",
        None,
        DRIVEN,
        "sell stop {}",
        ("-0.30",),
        (DRIVEN,),
    ),
    "setup.exit_signal": _At(
        8,
        "open",
        "1.65",
        "2.20",
        "-0.05",
        "-0.30",
        None,
        f"{CROSSED} and {DRIVEN}",
        "sell at the next open",
        (),
        (CROSSED, DRIVEN),
    ),
    "setup.closed": _At(
        9,
        "left_on_pressure",
        "1.45",
        "2.20",
        "-0.05",
        "-0.30",
        "1.60",
        f"{CROSSED} and {DRIVEN}",
        "",
        (),
        (CROSSED, DRIVEN),
    ),
    "setup.lapsed": _At(
        3,
        "lapsed",
        "-0.10",
        "",
        "",
        reason="no entry within 3 bars",
        orders="cancel the buy stop {}",
        order_prices=("0.15",),
    ),
    "setup.spoiled": _At(
        2,
        "spoiled",
        "-0.25",
        "",
        "",
        reason="the MACD line crossed back before the entry",
        orders="cancel the buy stop {}",
        order_prices=("0.15",),
    ),
    "setup.broken_off": _At(5, "broken_off", "1.20", "1.45", "-0.05", "-0.30", None, SPLIT),
}
NEXT: dict[State, str] = {
    "open": "a confirmed swing low above the stop raises it; 2 different signs of pressure within 5 bars end it, "
    "{} so far",
    "broken_off": "it is no longer followed; look at it yourself",
}
OVER = "nothing more: its story has ended"
MIRRORED = {"buy": "sell", "sell": "buy", "low": "high"}
"""What a short says where a long says the other."""


def story_event(kind: Kind, setup: Event | None = None) -> Event:
    """Say how a setup goes on, without one that of ``setup_event``; one that was set aside is still so."""
    setup = setup or setup_event()
    at, about = AT[kind], setup.data
    sign = 1 if about["direction"] == "long" else -1
    entered = at.state not in {"lapsed", "spoiled"}
    bar_close = setup.time + at.bars * QUARTER_HOUR

    def price(steps: str | Decimal) -> str:
        return f"{Decimal('101.20') + sign * Decimal(steps):f}"

    def in_r(steps: str | None) -> str | None:
        return f"{(Decimal(steps) - FILL) / RISK:.2f}" if steps and entered else None

    def mirrored(text: str) -> str:
        return text if sign > 0 else " ".join(MIRRORED.get(word, word) for word in text.split(" "))

    is_open = at.state == "open"
    leaving = kind == "setup.exit_signal"
    data: StoryData = {
        "instrument": about["instrument"],
        "timeframe": about["timeframe"],
        "setup": about["setup"],
        "title": about["title"],
        "direction": about["direction"],
        "set_aside": bool(about["set_aside"]),
        "evidence_points": about["evidence_points"],
        "setup_close": about["bar_close"],
        "bar_open": rfc3339(bar_close - QUARTER_HOUR),
        "bar_close": rfc3339(bar_close),
        "close": price(at.close),
        "step": about["step"],
        "currency": about["currency"],
        "entry_style": about["entry_style"],
        "exit_style": about["exit_plan"]["style"],
        "state": at.state,
        "reason": mirrored(at.reason),
        "planned_entry": price(PLANNED),
        "planned_risk": "1.20",
        "entry": price(FILL) if entered else None,
        "risk": f"{RISK}" if entered else None,
        "first_stop": price(FIRST_STOP),
        "stop": price(at.stop),
        "exit": price(at.exit) if at.exit else None,
        "half_exit": None,
        "r": in_r(at.close if is_open else at.exit),
        "r_at_stop": in_r(at.stop) if is_open else None,
        "best_r": in_r(at.best),
        "worst_r": in_r(at.worst),
        "cost_r": "0.08" if entered else None,
        "size": about["size"],
        "point_value": "1",
        "result": f"{(Decimal(at.exit) - FILL) * SIZE:f}" if at.exit else None,
        "bars_waited": 0 if entered else at.bars,
        "bars_held": (at.bars - bool(at.exit) - (at.state == "broken_off")) if entered else 0,
        "pressure": list(at.pressure),
        "pressure_needed": 2,
        "orders": mirrored(at.orders).format(*map(price, at.order_prices)),
        "next": "the next open ends it" if leaving else mirrored(NEXT.get(at.state, OVER).format(len(at.pressure))),
        "warnings": ["the market is closed until Monday, 2026-03-09"] if kind == "setup.stop_raised" else [],
    }
    name = event_id(kind, setup.thread, str(bar_close))
    return Event(kind, name, bar_close, setup.subject, data, thread=setup.thread)


def story_of(setup: Event) -> list[Event]:
    """Give a whole story in its order: a setup, its entry, and how it is left."""
    return [setup] + [story_event(kind, setup) for kind in FOLLOWING[:5]]
