"""Following, read plainly: one setup at a time, bar after bar, in exact decimals, for the long side.

For the short side, pass a tape of reflected bars and reflected prices.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING

from tests.outside.plain_indicators import SWING_STRENGTH, Tape, ema, known
from tests.outside.plain_terms import above, at_most, hair

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from tests.outside.plain_terms import Bar

MAX_WAIT = 3
GAP_LIMIT = Decimal("0.5")
STOP_MARGIN = Decimal("0.05")
LINE_TOLERANCE = Decimal("0.25")
DRIVE_MIN, SOLID = Decimal(1), Decimal("0.5")
WITHIN = 5


@dataclass(frozen=True, slots=True)
class Setup:
    """A setup that ended at bar t: its plan, and its own spoiler."""

    t: int
    style: str
    entry: Decimal
    stop: Decimal
    ride: bool
    beyond: Decimal | None = None
    average: str = ""
    closes: int = 1
    bars: int | None = None
    line: tuple[Decimal, Decimal] | None = None


@dataclass(frozen=True, slots=True)
class Choices:
    """The user's choices, each off at 0: the gain to close half, the gain to move the stop, and the most bars."""

    half_at: Decimal = Decimal(0)
    to_entry_at: Decimal = Decimal(0)
    max_bars: int = 0


NO_CHOICES = Choices()


@dataclass(slots=True)
class Story:
    """The outcome: prices, and the numbers of the bars of the entry and the end."""

    state: str = "waiting"
    stop: Decimal = Decimal(0)
    entry: Decimal | None = None
    entered: int | None = None
    exit: Decimal | None = None
    half: Decimal | None = None
    ended: int | None = None
    held: int = 0
    best: Decimal | None = None
    worst: Decimal | None = None
    signs: list[tuple[int, str]] = field(default_factory=list)

    def end(self, state: str, t: int, price: Decimal | None = None) -> None:
        self.state, self.ended, self.exit = state, t, price

    def met(self, *prices: Decimal) -> None:
        """Extend the extremes since the entry."""
        found = [price for price in (self.best, self.worst, *prices) if price is not None]
        self.best, self.worst = max(found), min(found)

    def result(self, first_stop: Decimal) -> Decimal | None:
        """Give the result in R of the fill."""
        if self.entry is None or self.exit is None:
            return None
        left_at = self.exit if self.half is None else (self.exit + self.half) / 2
        return (left_at - self.entry) / (self.entry - first_stop)


class SideTape(Tape):
    """A tape with the average for first touches."""

    def __init__(self, bars: Sequence[Bar]) -> None:
        super().__init__(bars)
        self.touch = ema([bar.close for bar in bars], 20)

    def average(self, name: str, t: int) -> Decimal:
        return self.touch[t] if name == "touch" else known(self.fast[t])


def follow(
    tape: SideTape, setup: Setup, others: Collection[int], step: Decimal, choices: Choices = NO_CHOICES
) -> Story:
    """Follow a setup to its end, or to the last bar; ``others`` are bars with a setup on the other side."""
    story = Story(stop=setup.stop)
    entered = wait(tape, setup, story)
    if entered is not None:
        story.met(known(story.entry))
        hold(tape, setup, story, entered, others, step, choices)
    return story


def wait(tape: SideTape, setup: Setup, story: Story) -> int | None:
    """Wait for the entry, and give its bar; None if there is none."""
    wrong_closes, confirmed = 0, False
    for t in range(setup.t + 1, len(tape)):
        bar, tie = tape.bars[t], tie_of(tape.bars[t])
        void, price = order_meets(tape, setup, t, confirmed=confirmed)
        if price is not None and not void:
            story.state, story.entry, story.entered = "open", price, t
            return t
        wrong = setup.beyond is not None and above(setup.beyond, bar.close, tie)
        wrong_closes += wrong or (bool(setup.average) and above(tape.average(setup.average, t), bar.close, tie))
        spoiled = above(setup.stop, bar.close, tie) or wrong_closes >= setup.closes or t - setup.t == setup.bars
        spoiled = spoiled or tape.crossed_down(t)
        if void or spoiled or t - setup.t == MAX_WAIT:
            story.end("spoiled" if spoiled and not void else "lapsed", t)
            return None
        confirmed = setup.style == "average" and above(bar.close, known(tape.fast[t]), tie)
    return None


def order_meets(tape: SideTape, setup: Setup, t: int, *, confirmed: bool) -> tuple[bool, Decimal | None]:
    """Say whether a bar's open voids the entry, and give the price of the fill, None without one."""
    bar, tie, room = tape.bars[t], tie_of(tape.bars[t]), GAP_LIMIT * known(tape.atr[setup.t])
    if setup.style == "break":
        reached = not above(setup.entry, bar.high, tie)
        return above(bar.open, setup.entry + room, tie), max(setup.entry, bar.open) if reached else None
    if setup.style == "average" and not confirmed:
        return False, None
    void = above(bar.open, tape.bars[t - 1].close + room, tie) or at_most(bar.open, setup.stop, tie)
    return void, bar.open


def hold(
    tape: SideTape,
    setup: Setup,
    story: Story,
    entered: int,
    others: Collection[int],
    step: Decimal,
    choices: Choices,
) -> None:
    """Stay in the position from the bar of the entry until the end."""
    leave, entry = "", known(story.entry)
    risk = entry - setup.stop
    half = ((entry + choices.half_at * risk) / step).to_integral_value(ROUND_FLOOR) * step if choices.half_at else None
    half = None if half is not None and half <= entry else half
    for t in range(entered, len(tape)):
        bar, tie = tape.bars[t], tie_of(tape.bars[t])
        if t > entered and (leave or above(story.stop, bar.open, tie)):
            story.met(bar.open)
            story.end(leave or "stopped", t, bar.open)
            return
        if half is not None and story.half is None and t > entered and not above(half, bar.open, tie):
            story.half = bar.open
            story.best = max(known(story.best), bar.open)
        if at_most(bar.low, story.stop, tie):
            story.met(story.stop)
            story.end("stopped", t, story.stop)
            return
        story.met(bar.high, bar.low)
        story.held += 1
        if half is not None and story.half is None and not above(half, bar.high, tie):
            story.half = half
        leave = why_leave(tape, setup, story, t, others, choices)
        if leave:
            continue
        gained = choices.to_entry_at and not above(choices.to_entry_at * risk, known(story.best) - entry, tie)
        if gained and above(bar.close, entry, tie):
            story.stop = max(story.stop, (entry / step).to_integral_value(ROUND_FLOOR) * step)
        if setup.ride and tape.swing_lows[t - SWING_STRENGTH]:
            story.stop = max(story.stop, raised(tape, t, step))


def why_leave(tape: SideTape, setup: Setup, story: Story, t: int, others: Collection[int], choices: Choices) -> str:
    """Give the state in which a story ends at the next open, judged at the close of bar t; empty if it goes on."""
    if setup.ride:
        story.signs += [(t, sign) for sign in pressure(tape, setup, t, others)]
        if len({sign for when, sign in story.signs if when > t - WITHIN}) > 1:
            return "left_on_pressure"
    elif tape.crossed_down(t):
        return "left"
    return "left" if choices.max_bars and story.held >= choices.max_bars else ""


def tie_of(*bars: Bar) -> Decimal:
    """Give the largest difference that counts as a tie at the prices of some bars."""
    return hair(max(max(abs(bar.high), abs(bar.low)) for bar in bars))


def raised(tape: SideTape, t: int, step: Decimal) -> Decimal:
    """Give the stop under the swing low that bar t confirms."""
    price = tape.bars[t - SWING_STRENGTH].low - max(step, STOP_MARGIN * known(tape.atr[t]))
    steps = price / step
    nearest = steps.to_integral_value()
    if abs(steps - nearest) * step <= max(hair(tape.bars[t].close), hair(price)):
        return nearest * step
    return steps.to_integral_value(ROUND_FLOOR) * step


def pressure(tape: SideTape, setup: Setup, t: int, others: Collection[int]) -> set[str]:
    """Name the signs of pressure at the close of a bar."""
    before, bar = tape.bars[t - 1], tape.bars[t]
    tie = tie_of(before, bar)
    found = set()
    if before.close > before.open and bar.close < bar.open:
        covers = at_most(before.close, bar.open, tie) and at_most(bar.close, before.open, tie)
        found |= {"engulfed"} if covers else set()
    if above(known(tape.fast[t]), bar.close, tie) and above(before.close, known(tape.fast[t - 1]), tie):
        found.add("average")
    if setup.line is not None:
        price, slope = setup.line
        line = price + slope * (t - setup.t)
        if above(line - LINE_TOLERANCE * known(tape.atr[t]), bar.close, tie):
            found.add("line")
    long = at_most(DRIVE_MIN * known(tape.usual_body[t - 1]), bar.body, tie)
    if bar.close < bar.open and long and at_most(SOLID * bar.range, bar.body, tie):
        found.add("drive")
    if t in others:
        found.add("other side")
    return found
