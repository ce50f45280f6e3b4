"""The exchange of a world: the true bars, when each is available, what is sent until then, and its feed."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME, Bars, RawBars
from scanner.ports import Answer, FeedLimits, FeedTroubleError
from scanner.service.changes.restating import as_sent
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

    from scanner.ports import Want
    from tests.worlds.plan import Plan
    from tests.worlds.world import World

SECOND = 1_000_000_000
MINUTE = 60 * SECOND
BEGIN = 1_700_000_000 // 3_600 * 3_600 * SECOND
"""When a world begins; bars that closed before are history."""
HISTORY = 125
NAMES = ("GANNET", "FULMAR", "PUFFIN")
TAPES = range(7, 7 * 25, 7)
"""Seeds of tapes with a price step of 0.01."""
AT_ONCE = 0.5
"""Seconds after its close until a bar that is not late is available."""
OVERLAP = 200
"""Bars that a healthy feed repeats with each answer: wrong ones are corrected, and holes in the history filled."""
ODD = (
    *("earlier ones", "the last ones", "the first ones", "some again", "any order", "unreadable", "the open one"),
    *("nothing", "twice"),
)
HOW_ODD = 0.3
"""Share of the answers that are odd."""
PRICES = ("open", "high", "low", "close", "volume")
DELAYS = (5, 20, 45, 100, 200, 400)


@cache
def rows_of(seed: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Give the rows of a tape; they are the same for all worlds."""
    return np.array(tape(seed), dtype=np.float64)


class Exchange:
    """What happened to each instrument, and what the world can know of it at a time."""

    def __init__(self, plan: Plan, minutes: int) -> None:
        self.names = NAMES[: 1 + plan.chance("instruments").randrange(len(NAMES))]
        self.bars: dict[str, Bars] = {}
        self.due: dict[str, np.ndarray[tuple[int], np.dtype[np.int64]]] = {}
        self.wrong: dict[str, dict[int, tuple[int, tuple[float, ...]]]] = {}
        """By place: until when a bar is sent with other values, and these values."""
        self.late = self.restated = self.never = 0
        for name in self.names:
            self._make(name, plan, minutes)

    def _make(self, name: str, plan: Plan, minutes: int) -> None:
        chance = plan.chance(f"tape {name}")
        rows = rows_of(chance.choice(TAPES))
        count = HISTORY + minutes
        begin = chance.randrange(len(rows) - count)
        part = rows[begin : begin + count]
        opens = BEGIN + MINUTE * np.arange(-HISTORY, minutes, dtype=np.int64)
        bars = Bars(opens, opens + MINUTE, *np.ascontiguousarray(part.T))
        due = bars.close_time + round(AT_ONCE * SECOND)
        there = np.ones(count, dtype=np.bool_)
        lates, wrongs = plan.chance(f"late {name}"), plan.chance(f"wrong {name}")
        self.wrong[name] = {}
        for place in range(HISTORY, HISTORY + plan.bars):
            if "late-bars" in plan.kinds and lates.random() < 0.1:
                if lates.random() < 0.2:
                    there[place] = False
                    self.never += 1
                else:
                    due[place] += lates.choice(DELAYS) * SECOND
                    self.late += 1
            if "restated-bars" in plan.kinds and wrongs.random() < 0.1 and there[place]:
                until = int(due[place]) + wrongs.choice(DELAYS) * SECOND
                self.wrong[name][place] = until, _other(tuple(part[place].tolist()), wrongs)
                self.restated += 1
        self.wrong[name] = {int(there[:place].sum()): said for place, said in self.wrong[name].items()}
        self.bars[name], self.due[name] = bars[there], due[there]

    def known(self, name: str, first: int, now: int) -> Bars:
        """Give the bars from a place on as they are sent at a time."""
        there = np.flatnonzero(self.due[name][first:] <= now) + first
        bars = self.bars[name][there]
        for place, (until, said) in self.wrong[name].items():
            if place >= first and now < until and self.due[name][place] <= now:
                at = int(np.searchsorted(there, place))
                for column, value in zip(bars.columns()[2:], said, strict=True):
                    column[at] = value
        return bars


def _other(row: tuple[float, ...], chance: Random) -> tuple[float, ...]:
    """Give a wrong bar: a quiet one, a wider one, one at half the price, or one with another volume."""
    first, high, low, last, volume = row
    which = chance.randrange(6)
    if which < 2:
        return first, max(first, last), min(first, last), first, volume
    if which < 4:
        return first, round(high + chance.choice((0.02, 0.3)), 2), round(low - 0.02, 2), last, volume
    if which == 4:
        return (*(round(price / 2, 2) for price in (first, high, low, last)), volume)
    return first, high, low, last, 12_345.0


class WorldFeed:
    """The feed of one life of a station."""

    batch = 10
    arrived: asyncio.Event | None
    limits = FeedLimits(settle=2, patience=30)

    def __init__(self, world: World) -> None:
        self.world = world
        self.arrived = asyncio.Event() if world.is_pushed else None
        self.chance = world.plan.chance(f"feed {world.life}")

    async def start(self) -> None:
        """Start, unless there is trouble."""
        await self._trouble()

    async def stop(self) -> None:
        """Stop; in trouble that never ends."""
        if self.world.outage() == "hangs":
            await asyncio.sleep(10**6)

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Answer as the world decides."""
        if await self._trouble() == "is silent":
            return []
        await asyncio.sleep(self.chance.uniform(0.05, 0.4))
        return [Answer(want, rows) for want in wants for rows in self._rows(want)]

    async def _trouble(self) -> str:
        """Fail if the feed is in trouble; else return its state, empty if all is well."""
        how = self.world.outage()
        if not how and self.world.has("feed-trouble") and self.chance.random() < 0.05:
            how = self.chance.choice(("refuses", "hangs", "breaks"))
        if how:
            self.world.count(f"feed {how}")
        if how in {"", "is silent"}:
            return how
        if how == "hangs":
            await asyncio.sleep(10**6)
        if how == "breaks":
            raise KeyError("bars")
        raise FeedTroubleError("the exchange is shut", self.chance.choice((None, None, 40.0)))

    def _rows(self, want: Want) -> list[RawBars]:
        """Give the rows sent for a want, in as many answers as it takes."""
        world, chance, bars = self.world, self.chance, self.world.exchange.bars[want.symbol]
        first = 0 if want.since is None else int(np.searchsorted(bars.open_time, want.since))
        odd = chance.choice(ODD) if world.has("odd-rows") and chance.random() < HOW_ODD else ""
        if world.calm or odd == "earlier ones":
            first = max(0, first - (OVERLAP if world.calm else chance.randrange(1, 80)))
        raw = as_sent(world.exchange.known(want.symbol, first, world.true_time()), "exchange")
        if not odd:
            return [raw]
        world.count("odd answers")
        if odd == "the open one":
            raw = self._with_open(want.symbol, raw)
        return {"nothing": [], "twice": [raw, raw]}.get(odd, [_odd(raw, odd, chance)])

    def _with_open(self, name: str, raw: RawBars) -> RawBars:
        """Give rows with the bar that is still open, as it is so far."""
        bars = self.world.exchange.bars[name]
        place = int(np.searchsorted(bars.close_time, self.world.true_time(), side="right"))
        if place == len(bars) or bars.open_time[place] > self.world.true_time():
            return raw
        still = bars[place : place + 1]
        so_far = replace(still, high=still.open, low=still.open, close=still.open)
        return _joined(raw, as_sent(so_far, "exchange"))


def _odd(raw: RawBars, how: str, chance: Random) -> RawBars:
    """Give rows with something wrong."""
    count = len(raw)
    if how == "the last ones" and count:
        return raw[-chance.randrange(1, count + 1) :]
    if how == "the first ones":
        return raw[: chance.randrange(count + 1)]
    if how == "some again" and count:
        return raw[np.array([*range(count), *chance.choices(range(count), k=3)])]
    if how == "any order":
        return raw[np.array(chance.sample(range(count), count), dtype=np.int64)]
    if how == "unreadable" and count:
        at = chance.randrange(count)
        return _joined(_joined(raw[:at], _unreadable(raw[at : at + 1], chance)), raw[at:])
    return raw


def _unreadable(row: RawBars, chance: Random) -> RawBars:
    """Give a row that cannot be a bar."""
    which = chance.randrange(4)
    if which == 0:
        return replace(row, stamp=np.array([NO_TIME]))
    if which == 1:
        return replace(row, high=row.low - 1)
    if which == 2:
        return replace(row, close=np.array([np.nan]))
    return replace(row, stamp=row.stamp + 7 * SECOND)


def _joined(one: RawBars, other: RawBars) -> RawBars:
    stamp, row = (np.concatenate([getattr(one, name), getattr(other, name)]) for name in ("stamp", "row"))
    prices = (np.concatenate([getattr(one, name), getattr(other, name)]) for name in PRICES)
    first, high, low, last, volume = prices
    return RawBars(stamp, first, high, low, last, volume, row, one.source)
