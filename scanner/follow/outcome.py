"""The outcomes of setups that were followed, in full and in brief."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal
from math import isnan
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import numpy as np

from scanner.follow import steps
from scanner.market.bars import NO_TIME
from scanner.market.price_steps import EXACT

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.event_data import State, StoryData
    from scanner.events import Event
    from scanner.market.instruments import Instrument
    from scanner.trade.levels import Grid

    Floats = NDArray[np.float64]

STATES: Mapping[int, State] = {
    steps.WAITING: "waiting",
    steps.OPEN: "open",
    steps.STOPPED: "stopped",
    steps.STOPPED_AT_OPEN: "stopped",
    steps.LEFT: "left",
    steps.LEFT_AT_CLOSE: "left",
    steps.LEFT_AFTER_CLOSE: "left",
    steps.LEFT_BY_USER: "left",
    steps.LEFT_AFTER_BARS: "left",
    steps.LEFT_ON_PRESSURE: "left_on_pressure",
    steps.GAPPED: "lapsed",
    steps.OPENED_AT_STOP: "lapsed",
    steps.LAPSED: "lapsed",
    steps.SPOILED_BY_STOP: "spoiled",
    steps.SPOILED_BY_CROSS: "spoiled",
    steps.SPOILED_BY_OWN: "spoiled",
    steps.BROKEN_OFF: "broken_off",
}
"""The names of the state codes in STORY records."""


class Outcome(NamedTuple):
    """The state of a story, or how it ended: prices and R as exact decimals, times in nanoseconds since 1970 UTC.

    ``thread`` is the id of the setup's first event, ``sign`` +1 for long and −1 for short, ``set_aside`` whether it was
    set aside. ``planned`` is the planned entry and ``entry`` the price of the fill, None without one; ``first_stop``
    and ``stop`` are the first and the last stop, ``exit`` is the price of the exit, and ``half_exit`` the price at
    which half was closed before. ``best`` and ``worst`` are the furthest prices for and against the position that may
    have been reached while it was open. ``waited`` counts the bars without an entry, ``held`` those that closed while
    it was open. ``entered_at`` and ``ended_at`` are closes of bars, None if there was no entry, or no end yet. ``cost``
    is the cost of both ways in points of price, None if unknown.
    """

    thread: str
    sign: int
    set_aside: bool
    state: State
    reason: str
    planned: Decimal
    first_stop: Decimal
    stop: Decimal
    entry: Decimal | None
    exit: Decimal | None
    half_exit: Decimal | None
    best: Decimal | None
    worst: Decimal | None
    waited: int
    held: int
    entered_at: int | None
    ended_at: int | None
    cost: Decimal | None

    @property
    def planned_risk(self) -> Decimal:
        """The planned R: from the planned entry to the first stop, in points of price."""
        return self.sign * (self.planned - self.first_stop)

    @property
    def risk(self) -> Decimal | None:
        """The real R: from the fill to the first stop, in points of price; None without an entry."""
        return None if self.entry is None else self.sign * (self.entry - self.first_stop)

    def in_risks(self, price: Decimal | None) -> Decimal | None:
        """Give the distance from the entry to a price in real R, to hundredths; None without an entry or a price."""
        if self.entry is None or price is None:
            return None
        return hundredths(price - self.entry, self.entry - self.first_stop)

    def left_at(self, price: Decimal | None) -> Decimal | None:
        """Give the average exit price if the rest is closed at ``price``."""
        return None if price is None else mean(price, self.half_exit)

    @property
    def r(self) -> Decimal | None:
        """The result in real R, before costs, to hundredths; None while there is none."""
        return self.in_risks(self.left_at(self.exit))

    @property
    def cost_in_risks(self) -> Decimal | None:
        """The costs in real R, to hundredths; None without an entry, or if they are unknown."""
        return None if self.cost is None or self.risk is None else hundredths(self.cost, self.risk)


HUNDREDTH = Decimal("0.01")
MOST = 1e15
"""Up to here, whole numbers and their sums are exact as floats, and floats keep prices as they were written."""
QUOTIENT = Context(prec=60)
"""Enough digits for a quotient of prices to be rounded as the exact one would be."""


def mean(price: Decimal, half_exit: Decimal | None) -> Decimal:
    """Give the average exit price if the rest is closed at ``price``; None if no half was closed before."""
    return price if half_exit is None else EXACT.divide(price + half_exit, 2)


def hundredths(part: Decimal, whole: Decimal) -> Decimal:
    """Divide, and round to hundredths, half to even."""
    # Avoid negative zero.
    return QUOTIENT.add(QUOTIENT.quantize(QUOTIENT.divide(part, whole), HUNDREDTH), 0)


@dataclass(frozen=True, slots=True)
class Came:
    """The outcome of a setup, as far as known: prices, R and costs are None if there are none.

    R and costs are in the risk of the fill; ``ended`` is the close of the bar on which it ended, in nanoseconds since
    1970 UTC, None while its story is open.
    """

    thread: str
    set_aside: bool
    state: State
    entry: Decimal | None = None
    exit: Decimal | None = None
    r: Decimal | None = None
    cost: Decimal | None = None
    ended: int | None = None

    @property
    def entered(self) -> bool:
        """Whether its entry was filled."""
        return self.entry is not None

    @classmethod
    def of_event(cls, event: Event) -> Self:
        """Read the outcome from the event that ends a story."""
        data: StoryData = event.data
        texts = (data["entry"], data["exit"], data["r"], data["cost_r"])
        entry, left, r, cost = (None if text is None else Decimal(text) for text in texts)
        return cls(event.thread, data["set_aside"], data["state"], entry, left, r, cost, event.time)

    @classmethod
    def of_outcome(cls, outcome: Outcome) -> Self:
        """Take the outcome from the state of a story."""
        about = outcome.thread, outcome.set_aside, outcome.state
        return cls(*about, outcome.entry, outcome.exit, outcome.r, outcome.cost_in_risks, outcome.ended_at)


def came_of(records: NDArray[Any], about: Callable[[int], tuple[str, bool]], instrument: Instrument) -> list[Came]:
    """Give the outcomes of stories; ``about`` gives, by its number, the id of each and whether it was set aside."""
    costs, sign = instrument.costs, records["sign"]
    halves = sign * records["half_exit"]
    columns = (records["number"], records["state"], sign * records["fill"], sign * records["exit"], halves)
    found = []
    for number, state, fill, left, half, first_stop, ended_at in zip(
        *(column.tolist() for column in (*columns, sign * records["first_stop"], records["ended_at"])), strict=True
    ):
        entry, exit_, r, cost = decimal(fill), decimal(left), None, None
        if entry is not None:
            risk = entry - Decimal(repr(first_stop))
            if exit_ is not None:
                r = hundredths(mean(exit_, decimal(half)) - entry, risk)
            if costs.given:
                cost = hundredths(costs.in_price(entry, instrument.point_value), abs(risk))
        ended = ended_at if state > steps.OPEN else None
        found.append(Came(*about(number), STATES[state], entry, exit_, r, cost, ended))
    return found


def columns_of_outcomes(records: NDArray[Any], instrument: Instrument, grid: Grid) -> dict[str, Any]:
    """Give the figures of ``came_of`` as columns: NaN for what is unknown, NO_TIME without an end."""
    sign, over = records["sign"], records["state"] > steps.OPEN
    prices = real_prices(records, ("fill", "exit", "first_stop", "half_exit"))
    fill, exit_, first_stop, half = prices
    whole, _ = exactly(prices, grid.decimals)
    entry, out, stop, halved = whole.astype(np.int64) if whole.dtype == np.float64 else whole
    entered, left, side = ~np.isnan(fill), ~np.isnan(exit_), sign.astype(np.int64)
    risk = np.where(entered, side * (entry - stop), 1)
    gross = side * (np.where(np.isnan(half), out, halved) + out - 2 * entry)
    costs = np.full(len(records), np.nan)
    if instrument.costs.given:
        costs[entered] = [
            float(hundredths(instrument.costs.in_price(price, instrument.point_value), abs(price - base)))
            for price, base in zip(decimals(fill[entered]), decimals(first_stop[entered]), strict=True)
        ]
    return {
        "state": [STATES[state] for state in records["state"].tolist()],
        "entry": fill,
        "exit": exit_,
        "r": np.where(left, in_hundredths(gross, 2 * risk), np.nan),
        "cost_r": costs,
        "ended": np.where(over, records["ended_at"], NO_TIME),
    }


def in_hundredths(part: NDArray[Any], whole: NDArray[Any]) -> Floats:
    """Divide whole numbers by others above 0, and round to hundredths, half to even."""
    found = 100 * part // whole
    rest = 2 * (100 * part - found * whole)
    found += np.where((rest > whole) | ((rest == whole) & (found % 2 != 0)), 1, 0)
    return np.asarray(found, dtype=np.float64) / 100.0


def real_prices(records: NDArray[Any], names: Sequence[str]) -> Floats:
    """Give these prices of stories, a row for each name."""
    return np.array([records["sign"] * records[name] for name in names]) + 0.0  # no negative zero


def decimal(price: float) -> Decimal | None:
    """Give the decimal that was written as this price; None for NaN."""
    return None if isnan(price) else Decimal(repr(price + 0.0))  # avoid negative zero


def exactly(prices: Floats, digits: int) -> tuple[NDArray[Any], Any]:
    """Give prices as whole numbers, and the number by which to divide them; for NaN, any number.

    The whole numbers are floats if ``digits`` after the point or a few more are enough, else Python's integers.
    """
    known = np.where(np.isnan(prices), 0.0, prices)
    highest = float(np.abs(known).max(initial=0.0))
    while highest * 10.0**digits < MOST:
        whole = np.round(known * 10.0**digits)
        if np.array_equal(whole / 10.0**digits, known):
            return whole, 10.0**digits
        digits += 1
    written = decimals(known.ravel())
    most = max(-int(price.as_tuple().exponent) for price in written)
    scale = 10 ** max(most, 0)
    found = np.empty(known.size, dtype=object)
    found[:] = [int(price * scale) for price in written]
    return found.reshape(known.shape), scale


def decimals(prices: Floats) -> list[Decimal]:
    """Give the decimals that were written as these prices."""
    return [Decimal(repr(price)) for price in prices.tolist()]
