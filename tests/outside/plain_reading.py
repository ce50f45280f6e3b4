"""A second opinion on the doji pause: the rules read slowly, in plain Python with exact decimals.

It shares nothing with the engine, so that the two can be held against each other. It is written for a trader who
programs: one rule after the other, each as it would be said, always for the long side. The short side is the long
side of reflected prices: every price p becomes −p, and the prices that are found are turned back at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, localcontext
from typing import TYPE_CHECKING, Literal

from tests.outside.plain_indicators import Tape, known
from tests.outside.plain_levels import Levels, find_levels
from tests.outside.plain_places import PLACES, Places, find_places
from tests.outside.plain_terms import DIGITS, Bar, Measured, Rules, above, at_most, hair, ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

Direction = Literal["long", "short"]
DIRECTIONS: tuple[Direction, ...] = ("long", "short")

QUIET_DOJI = Decimal("0.35")
VOLUME_BARS = 20


@dataclass(frozen=True, slots=True)
class Finding:
    """What the rules say of bar t in one direction.

    All prices are real ones in both directions; other measured values are as seen from that direction. ``averages``
    are the lengths of the averages that the place stands on; ``line`` the two bars the line is drawn through and its
    touches. ``qualified`` says that every rule holds.
    """

    t: int
    direction: Direction
    rules: dict[str, Measured]
    low_bar: int
    low: Decimal
    places: dict[str, Decimal | None]
    safest: str | None
    averages: tuple[int, ...]
    line: tuple[int, int, int] | None
    evidence: dict[str, Measured]
    levels: Levels

    @property
    def qualified(self) -> bool:
        return all(rule.verdict for rule in self.rules.values())

    @property
    def points(self) -> tuple[int, int]:
        """Give the points of evidence and how many could be had."""
        counted = [point.verdict for point in self.evidence.values() if point.verdict is not None]
        return sum(counted), len(counted)


class Reading:
    """A series read from both sides; ask it about any bar from the warm-up on."""

    def __init__(self, bars: Sequence[Bar], changes: dict[str, object] | None = None) -> None:
        self.rules = Rules.overriding(changes or {})
        with localcontext(prec=DIGITS):
            self.sides = {"long": Tape(bars), "short": Tape([bar.reflected() for bar in bars])}

    def judge(self, t: int, direction: Direction) -> Finding:
        """Judge one bar in one direction, whether or not anything stands there."""
        tape, rules = self.sides[direction], self.rules
        if not rules.warm_up <= t + 1 <= len(tape):
            raise ValueError(f"bar {t} is not among the bars {rules.warm_up - 1} to {len(tape) - 1} that can be judged")
        sign = 1 if direction == "long" else -1
        with localcontext(prec=DIGITS):
            places = find_places(tape, t, rules)
            held = sum(price is not None for price in places.prices.values())
            levels = find_levels(tape, t, rules)
            return Finding(
                t,
                direction,
                shape(tape, t, rules) | {"place": Measured(Decimal(held), held > 0)},
                places.low_bar,
                sign * places.low,
                {name: None if price is None else sign * price for name, price in places.prices.items()},
                places.safest,
                places.averages,
                None if places.line is None else (places.line.i, places.line.j, places.line.touches),
                evidence(tape, t, places),
                levels if direction == "long" else levels.reflected(),
            )

    def findings(self) -> list[Finding]:
        """Give every qualified setup, by bar; places and levels are looked for only where the rest holds."""
        found = []
        for t in range(self.rules.warm_up - 1, len(self.sides["long"])):
            for direction in DIRECTIONS:
                tape = self.sides[direction]
                if not (pushes(tape.bars[t - 2]) and pushes(tape.bars[t])):
                    continue
                with localcontext(prec=DIGITS):
                    rest_holds = all(rule.verdict for rule in shape(tape, t, self.rules).values())
                if rest_holds:
                    finding = self.judge(t, direction)
                    if finding.qualified:
                        found.append(finding)
        return found


def read(bars: Sequence[Bar], changes: dict[str, object] | None = None) -> list[Finding]:
    """Find every qualified setup in a series; ``changes`` override the default rules by name."""
    return Reading(bars, changes).findings()


def judge(bars: Sequence[Bar], t: int, direction: Direction, changes: dict[str, object] | None = None) -> Finding:
    """Judge one bar of a series in one direction; for many bars keep a ``Reading``."""
    return Reading(bars, changes).judge(t, direction)


def pushes(bar: Bar) -> bool:
    return bar.close > bar.open


def shape(tape: Tape, t: int, rules: Rules) -> dict[str, Measured]:
    """Read every rule but the place: a push, a bar of indecision, a second push of about the same size."""
    first, doji, second = tape.bars[t - 2], tape.bars[t - 1], tape.bars[t]
    tie = hair(second.close)
    usual_body, atr_before = known(tape.usual_body[t - 3]), known(tape.atr[t - 3])
    read_rules = {}

    smaller_push = min(first.close - first.open, second.close - second.open)
    read_rules["drive_direction"] = Measured(smaller_push, pushes(first) and pushes(second))

    read_rules["drive_length"] = Measured(
        ratio(first.body, usual_body), at_most(rules.drive_min * usual_body, first.body, tie)
    )

    read_rules["not_exhausted"] = Measured(
        ratio(first.range, atr_before), at_most(first.range, rules.drive_max_atr * atr_before, tie)
    )

    solidity = [ratio(drive.body, drive.range) for drive in (first, second)]
    read_rules["drive_solid"] = Measured(
        min((part for part in solidity if part is not None), default=None),
        all(at_most(rules.solid * drive.range, drive.body, tie) for drive in (first, second)),
    )

    most_body = max(rules.doji_body * doji.range, rules.doji_body_of_drive * first.body)
    read_rules["doji_body"] = Measured(ratio(doji.body, doji.range), at_most(doji.body, most_body, tie))

    read_rules["doji_short"] = Measured(
        ratio(doji.range, first.range), at_most(doji.range, rules.doji_range * first.range, tie)
    )

    read_rules["drives_alike"] = Measured(
        ratio(second.body, first.body),
        at_most(first.body, rules.alike * second.body, tie) and at_most(second.body, rules.alike * first.body, tie),
    )

    to_beat = max(first.close, doji.high)
    read_rules["progress"] = Measured(second.close - to_beat, second.close > to_beat)

    bars_since_cross = next((n for n in range(t) if tape.crossed_up(t - n)), None)
    read_rules["momentum"] = Measured(
        None if bars_since_cross is None else Decimal(bars_since_cross),
        tape.line_above[t] and bars_since_cross is not None and bars_since_cross <= rules.cross_window,
    )

    dead = [bar for bar in (first, doji, second) if bar.range == 0 and bar.volume == 0]
    read_rules["traded"] = Measured(Decimal(len(dead)), not dead)
    return read_rules


def evidence(tape: Tape, t: int, places: Places) -> dict[str, Measured]:
    """Count what speaks for the setup beyond its rules, in the order in which it is told."""
    before, first, doji, second = tape.bars[t - 3 : t + 1]
    tie = hair(second.close)
    points = {
        f"place_{name}": Measured(None if price is None else abs(price - places.low), price is not None)
        for name, price in ((name, places.prices[name]) for name in PLACES)
    }

    # The bar before fell, and A's body covers the whole of its body.
    engulfs = before.close < before.open and first.open <= before.close and first.close >= before.open
    points["engulfing"] = Measured(ratio(first.body, before.body), engulfs)

    overhang = max(first.low - doji.low, doji.high - first.high)
    points["doji_inside"] = Measured(overhang, overhang <= 0)

    points["doji_quiet"] = Measured(ratio(doji.range, first.range), at_most(doji.range, QUIET_DOJI * first.range, tie))

    for name, average in (("beyond_fast", tape.fast[t]), ("beyond_slow", tape.slow[t])):
        beyond = None if average is None else second.close - average
        points[name] = Measured(beyond, beyond is not None and beyond > tie)

    points["volume"] = volume_of(tape.bars[t - VOLUME_BARS + 1 : t + 1])
    return points


def volume_of(bars: Sequence[Bar]) -> Measured:
    """Hold the last bar's volume against the mean of these bars; not counted where one of them has none."""
    volumes = [bar.volume for bar in bars if bar.volume is not None]
    if len(volumes) < len(bars):
        return Measured(None, None)
    last, mean = volumes[-1], sum(volumes, Decimal(0)) / len(volumes)
    return Measured(ratio(last, mean), above(last, mean, hair(mean)))
