"""Compares the engine with the plain reading, event by event and in every part."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from scanner.market.price_steps import PriceSteps
from tests.outside.plain_terms import Bar

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from scanner.events import Event
    from scanner.market.bars import Bars
    from tests.outside.plain_levels import Entry
    from tests.outside.plain_obstacles import Obstacle
    from tests.outside.plain_reading import Finding, Reading
    from tests.outside.plain_spikes import Touch

RENAMED = {"doji_tight": "doji_quiet", "beyond_fast_average": "beyond_fast", "beyond_slow_average": "beyond_slow"}
OBSTACLES = {
    "swing": "swing high",
    "extreme": "highest high of 250 bars",
    "fast": "50-bar average",
    "slow": "200-bar average",
    "session": "high of the session before",
}
TURNED = {"swing high": "swing low", "highest high of 250 bars": "lowest low of 250 bars"} | {
    "high of the session before": "low of the session before"
}
FIRST_NAMED = {"extreme", "session"}
"""The kinds that name an obstacle, if several are at one price."""


@dataclass
class Tally:
    """Counts of what was compared, so that a test can check that there was enough."""

    qualified: int = 0
    set_aside: int = 0
    touched: Counter[str] = field(default_factory=Counter)
    """Setups that a suspected bad tick affects, by what it affects first."""

    def __add__(self, other: Tally) -> Tally:
        """Add two tallies."""
        return Tally(self.qualified + other.qualified, self.set_aside + other.set_aside, self.touched + other.touched)


def plain_bars(bars: Bars) -> list[Bar]:
    """Give the bars in the decimals in which they were written."""
    columns = (bars.open, bars.high, bars.low, bars.close, bars.volume)
    return [Bar.of(*map(float, row)) for row in zip(*columns, strict=True)]


def price(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def hold(
    events: Iterable[Event], reading: Reading, close_times: Iterable[int], setups: Collection[str], step: Decimal
) -> Tally:
    """Compare all setups of a series with the plain reading: the same ones, no other, and equal in every part."""
    numbers = {int(moment): number for number, moment in enumerate(close_times)}
    said = {
        (numbers[event.time], event.data["direction"], event.data["setup"]): event
        for event in events
        if event.kind in {"setup.qualified", "setup.set_aside"}
    }
    plain = {(found.t, found.direction, found.setup): found for found in reading.findings(setups)}
    assert said.keys() == plain.keys()
    tally = Tally()
    for key, event in said.items():
        hold_one(event, plain[key], step)
        tally.qualified += event.kind == "setup.qualified"
        tally.set_aside += event.kind == "setup.set_aside"
        if (touch := plain[key].touch) is not None:
            tally.touched[touch.what] += 1
    return tally


def hold_one(event: Event, plain: Finding, step: Decimal) -> None:
    data = event.data
    about = (plain.t, plain.direction, plain.setup)
    hold_places(data["places"], plain.places, step, about)
    assert data["place"] == plain.safest, about
    for name, rule in plain.rules.items():
        assert data["rules"][name]["verdict"] == rule.verdict, (about, name)
        if rule.measured is not None and name != "traded":
            assert data["rules"][name]["measured"] == approx(rule.measured), (about, name)
    for name in plain.places:
        assert data["evidence"][f"place_{name}"]["verdict"] == (plain.places[name] is not None), (about, name)
    if plain.evidence:
        for name, point in data["evidence"].items():
            assert point["verdict"] == bool(plain.evidence[RENAMED.get(name, name)].verdict), (about, name)
        assert (data["evidence_points"], data["evidence_total"]) == plain.points, about
    hold_levels(data, plain, about)
    assert data["surroundings"].keys() == plain.surroundings.keys()
    for name, judged in plain.surroundings.items():
        assert data["surroundings"][name]["verdict"] == judged.verdict, (about, name, judged)
        measured = data["surroundings"][name]["measured"]
        assert (measured is None) == (judged.measured is None), (about, name, measured, judged)
        if judged.measured is not None:
            assert measured == approx(judged.measured), (about, name)
    assert (event.kind == "setup.set_aside") == plain.set_aside == bool(data["set_aside"]), about
    hold_touch(data["set_aside"], plain.touch, about)
    assert all(f"{name.replace('_', ' ')} fails" in data["set_aside"] for name in plain.failing), (about, plain.failing)


def hold_touch(set_aside: str, plain: Touch | None, about: object) -> None:
    """Compare the words about a suspected bad tick: how far back it lies, and what it affects."""
    assert ("bad tick" in set_aside) == (plain is not None), (about, set_aside, plain)
    if plain is not None and plain.back:
        words = {"bars": "can look back at", "ATR": "of its ATR", "averages": "puts its averages out of order"}
        told = words.get(plain.what, f"the {plain.what}, rests on")
        assert set_aside.startswith(f"a suspected bad tick {plain.back} bar"), (about, set_aside, plain)
        assert told in set_aside, (about, set_aside, plain)
    elif plain is not None:
        assert set_aside.startswith("its last bar is a suspected bad tick"), (about, set_aside)


def hold_places(said: dict[str, Any], plain: dict[str, Decimal | None], step: Decimal, about: object) -> None:
    for name, where in plain.items():
        assert said[name]["verdict"] == (where is not None), (about, name)
        if where is not None:
            # Both are rounded to the step; a price halfway between two steps may go either way.
            assert abs(Decimal(said[name]["price"]) - PriceSteps.fixed(step).nearest(where)) <= step, (about, name)
            assert abs(Decimal(said[name]["price"]) - where) <= step * Decimal("0.5001"), (about, name)


def hold_levels(data: dict[str, Any], plain: Finding, about: object) -> None:
    levels = plain.levels
    assert price(data["levels"]["stop"]) == levels.stop, about
    for style, entry in levels.entries.items():
        said = data["entries"][style]
        assert price(data["levels"][style]) == price(said["price"]) == (entry and entry.price), (about, style)
        if entry is not None:
            hold_entry(said, entry, plain.direction == "short", (about, style))
    assert data["exit_plan"]["style"] == levels.exit_plan, about


def hold_entry(said: dict[str, Any], entry: Entry, short: bool, about: object) -> None:
    assert [Decimal(goal) for goal in said["objectives"]] == list(entry.objectives), about
    assert not entry.plannable or price(said["risk"]) == entry.risk, about
    assert price(said["obstacle"]) == (entry.obstacle and entry.obstacle.price), about
    if entry.obstacle is not None:
        assert said["obstacle_text"] in called(entry.obstacle, short), about
    assert price(said["room"]) == (None if entry.room is None else round(entry.room, 2)), about

    broken = [text.split(" ", 1) for text in said["being_broken"]]
    assert [Decimal(where) for where, _ in broken] == [each.price for each in entry.broken], about
    for (_, name), each in zip(broken, entry.broken, strict=True):
        assert name in called(each, short), about


def called(obstacle: Obstacle, short: bool) -> list[str]:
    """Give the words, one of which must be used."""
    words = [OBSTACLES[name] for name in obstacle.names & FIRST_NAMED or obstacle.names]
    return [TURNED.get(word, word) if short else word for word in words]


def approx(number: Decimal) -> object:
    """Allow for the rounding of floats and of eight digits in an event."""
    return pytest.approx(float(number), rel=2e-7, abs=1e-12)
