"""The user of a world: lists of instruments, decisions on setups, and the upkeep of the store."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scanner.commands.journal.deciding import Wish, keep
from scanner.commands.trouble import UsageError
from scanner.configuration.model.settings import Settings, SettingsError, from_document
from scanner.events import OF_SETUPS
from scanner.journal.stories import stories
from scanner.service.upkeep import Upkeep
from scanner.store import Store, StoreTroubleError
from tests.worlds.disk import opened

if TYPE_CHECKING:
    from random import Random

    from scanner.journal.stories import Story
    from scanner.service.station import Station
    from scanner.store.decisions import Decided
    from tests.worlds.world import World

AMONG = 6
"""One in this many of the last stories gets a decision."""
TRIED_AGAIN = 20.0
"""Seconds after which a refused list is tried again."""
RULES: dict[str, Any] = {
    "place_quality": "plain",
    "warm_up": 50,
    "fast_average": 10,
    "slow_average": 30,
    "macd_fast": 5,
    "macd_slow": 12,
    "macd_signal": 4,
    "volatility_length": 30,
    "place_span": 60,
    "obstacle_span": 80,
    "turn_window": 30,
    "plain_turn_window": 20,
}
"""Short lengths, so that a few hundred bars are a long history."""
VARIANTS: tuple[dict[str, Any], ...] = ({}, {"fast_average": 8}, {"stop_margin": 0.15})
COARSER = ("2m", "3m")
SETUPS = ("doji_pause", "engulfing", "hammer", "false_break", "inside_bar", "three_bar_pullback")
STALE_AFTER = 3
"""Bars after which a setup is no longer news."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A list of instruments, all with one coarser timeframe, and the rules that they use."""

    names: tuple[str, ...]
    coarser: str = COARSER[0]
    variant: int = 0

    def settings(self) -> Settings:
        """Give the settings of a station that watches this list."""
        return _settings(self)

    def other(self, names: tuple[str, ...], chance: Random) -> Listed:
        """Change one thing: which of all instruments are listed, the timeframe, or the rules."""
        which = chance.randrange(4)
        if which < 2:
            return Listed(tuple(chance.sample(names, chance.randint(1, len(names)))), self.coarser, self.variant)
        if which == 2:
            return Listed(self.names, chance.choice(COARSER), self.variant)
        return Listed(self.names, self.coarser, chance.randrange(len(VARIANTS)))

    def changed(self, other: Listed) -> list[str]:
        """Name the instruments of another list that this one judges differently."""
        same = (self.coarser, self.variant) == (other.coarser, other.variant)
        return [name for name in other.names if not same or name not in self.names]


@lru_cache(None)
def _settings(listed: Listed) -> Settings:
    sinks = {name: {"type": "jsonl", "path": f"{name}.jsonl"} for name in ("screen", "letters")}
    document = {
        "station": {"name": "loft", "stale_after": STALE_AFTER},
        "feeds": {"exchange": {"type": "folder", "path": "."}},
        "sinks": sinks,
        "defaults": {
            "feed": "exchange",
            "calendar": "24/7",
            "base": "1m",
            "timeframes": ["1m", listed.coarser],
            "step": "0.01",
        },
        "instruments": {name: {} for name in listed.names},
        "rules": RULES | VARIANTS[listed.variant],
        "surroundings": {"require": []},
        "setups": {name: {} for name in SETUPS},
    }
    return from_document(document, Path(), {})


@dataclass(frozen=True, slots=True)
class Asked:
    """A decision that was answered: ``kept`` is the answer."""

    thread: str
    kind: str
    text: str
    price: Decimal | None
    kept: bool


class User:
    """The actions of a user beside a station, at moments that the world chooses."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.asked: list[Asked] = []
        self.settled = asyncio.Event()
        """Set once no other list remains to be taken."""
        plan = world.plan
        self._chance = plan.chance("decisions")
        self._decides: list[float] = []
        if "decisions" in plan.kinds:
            self._decides = sorted(self._chance.uniform(30, world.end) for _ in range(self._chance.randint(3, 12)))
        lists = plan.chance("reloads")
        self._lists = []
        if "reloads" in plan.kinds:
            listed = world.listed
            for moment in sorted(lists.uniform(0, world.end) for _ in range(lists.randint(1, 3))):
                listed = listed.other(world.exchange.names, lists)
                self._lists.append((moment, listed))
        self._upkeep = plan.chance("upkeep")

    def edit(self) -> None:
        """Begin a life with the last list written while nothing ran."""
        self.settled = asyncio.Event()
        while self._lists and self._lists[0][0] <= self.world.passed:
            self.world.listed = self._lists.pop(0)[1]
            self.world.count("lists changed at a start")

    async def reload(self, station: Station) -> None:
        """Change the list while it is watched, again if that is refused."""
        while self._lists:
            await self.world.until(self._lists[0][0])
            await station.watching.wait()
            _, listed = self._lists.pop(0)
            self.world.listed = listed
            while True:
                try:
                    await station.reload(listed.settings())
                except (SettingsError, StoreTroubleError):
                    self.world.count("reloads refused")
                    await asyncio.sleep(TRIED_AGAIN)
                else:
                    break
            self.world.count("reloads")
            self.world.took(listed, {name: station.desk.last_close(name) for name in listed.names})
        self.settled.set()

    async def keep_in_order(self, store: Store) -> None:
        """Now and then do the upkeep of every minute and every day."""
        while self.world.has("upkeep"):
            await asyncio.sleep(self._upkeep.uniform(10, 200))
            upkeep = Upkeep(store, keep_bars=10**6, keep_days=10**4, note=lambda _: None)
            if self._upkeep.random() < 0.5:
                await upkeep.tidy()
                await asyncio.to_thread(fold, store)
            else:
                await upkeep.retain()
            self.world.count("upkeep")

    async def decide(self, store: Store) -> None:
        """Decide at the chosen moments, beside the station or through it."""
        while self._decides:
            await self.world.until(self._decides[0])
            self._decides.pop(0)
            if self._chance.random() < 0.3:
                await asyncio.to_thread(self._decide, store)
            else:
                self._beside()

    def _beside(self) -> None:
        try:
            store = opened(Store, self.world, visiting=True)
        except StoreTroubleError:
            return
        with store:
            self._decide(store)

    def _decide(self, store: Store) -> None:
        world, chance = self.world, self._chance
        with world.observed():
            found = stories(store.events.find(kinds=OF_SETUPS))[-AMONG:]
        still_open = [each for each in found if each.is_open] or found
        if not still_open or not world.alive:
            return
        story = chance.choice(still_open)
        kind: Decided = chance.choice(("take", "take", "take", "pass", "leave", "note"))
        wish = Wish(story.id, kind, _price(story, kind, chance), _size(kind, chance), f"{len(self.asked)}")
        for _ in range(chance.choice((1, 1, 2))):
            try:
                made, _ = keep(store, wish, "UTC")
            except UsageError:
                self.asked.append(Asked(story.id, kind, wish.text, wish.price, kept=False))
                world.count("decisions refused")
            except StoreTroubleError:
                self.asked.append(Asked(story.id, kind, wish.text, wish.price, kept=False))
                world.count("decisions that failed")
            else:
                self.asked.append(Asked(story.id, kind, made.text, made.price, kept=True))
                world.count("decisions")
                if world.has("kills") and chance.random() < 0.4:
                    world.doom("kills", "steps")


def fold(store: Store) -> None:
    """Move all tails into pages, as upkeep does once they are long."""
    try:
        while (bucket := store.bars.longest_tail(due=False)) is not None:
            with store.bars.writing() as connection:
                store.bars.fold(connection, bucket)
    except StoreTroubleError:
        return


def _price(story: Story, kind: Decided, chance: Random) -> Decimal | None:
    data = story.setup
    entry = data["entries"][data["entry_style"]]
    if kind not in {"take", "leave"} or entry["risk"] is None or chance.random() < 0.3:
        return None
    away = Decimal(entry["risk"]) * Decimal(f"{chance.uniform(-0.5, 0.5):.3f}")
    return (Decimal(entry["price"] or data["close"]) + away).quantize(Decimal("0.01"))


def _size(kind: Decided, chance: Random) -> Decimal | None:
    return Decimal(chance.randint(1, 9)) if kind == "take" and chance.random() < 0.5 else None
