"""A study, read plainly: the doji pauses of a series, those that one rule off would add, their outcomes, and controls.

It is slow and shares no code with what collects a study. Prices are exact decimals, as for the long side.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal, localcontext
from typing import TYPE_CHECKING

from tests.outside.plain_follow import Setup, SideTape, follow
from tests.outside.plain_indicators import known
from tests.outside.plain_pause import shape
from tests.outside.plain_reading import DIRECTIONS, Direction, Reading
from tests.outside.plain_terms import DIGITS, above, hair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.outside.plain_follow import Story
    from tests.outside.plain_reading import Finding
    from tests.outside.plain_terms import Bar

COST = Decimal("0.05")
FRESH = 10


@dataclass(frozen=True, slots=True)
class Trade:
    """A setup at bar t, the rules that fail (at most one), and its story; prices are as for the long side."""

    t: int
    direction: Direction
    failing: frozenset[str]
    finding: Finding
    setup: Setup
    story: Story

    @property
    def result(self) -> Decimal | None:
        """The result in R of the fill, net of the costs assumed if none are known."""
        gross = self.story.result(self.setup.stop)
        return None if gross is None else gross - COST


class Study:
    """One series, read from both sides."""

    def __init__(self, bars: Sequence[Bar], reading: Reading, step: Decimal) -> None:
        self.reading = reading
        self.step = step
        with localcontext(prec=DIGITS):
            self.tapes = {"long": SideTape(bars), "short": SideTape([bar.reflected() for bar in bars])}
        found = [each for t in range(reading.rules.warm_up - 1, len(bars)) for each in self._near(t)]
        standing = {
            side: {each.t for each, failing in found if each.direction == side and not failing} for side in DIRECTIONS
        }
        self.others: dict[Direction, set[int]] = {"long": standing["short"], "short": standing["long"]}
        self.trades = [self._traded(each, failing) for each, failing in found]

    def _near(self, t: int) -> list[tuple[Finding, frozenset[str]]]:
        """Judge a bar at which at most one rule fails; a setup set aside counts only if none fails."""
        near = []
        for direction in DIRECTIONS:
            with localcontext(prec=DIGITS):
                read = shape(self.tapes[direction], t, self.reading.rules)
            if sum(not rule.verdict for rule in read.values()) > 1:
                continue
            finding = self.reading.judge(t, direction)
            failing = frozenset(name for name, rule in finding.rules.items() if not rule.verdict)
            if len(failing) <= (0 if finding.set_aside else 1):
                near.append((finding, failing))
        return near

    def _traded(self, found: Finding, failing: frozenset[str]) -> Trade:
        sign, tape = 1 if found.direction == "long" else -1, self.tapes[found.direction]
        entry, line = found.levels.entries["break"], None
        assert entry is not None, "a break entry can always be planned"
        with localcontext(prec=DIGITS):
            if found.places["line"] is not None and found.line is not None:
                i, j, _ = found.line
                slope = (tape.bars[j].low - tape.bars[i].low) / (j - i)
                line = tape.bars[i].low + slope * (found.t - i), slope
            setup = Setup(
                found.t,
                "break",
                sign * entry.price,
                sign * found.levels.stop,
                found.levels.exit_plan == "ride",
                line=line,
            )
            story = follow(tape, setup, self.others[found.direction], self.step)
        return Trade(found.t, found.direction, failing, found, setup, story)

    def control(self, t: int, direction: Direction, stop: Decimal) -> tuple[Setup, Story]:
        """Trade any bar on one side: a break of its own extreme, with a given stop and without a trend line."""
        tape = self.tapes[direction]
        with localcontext(prec=DIGITS):
            steps = ((tape.bars[t].high + self.step) / self.step).to_integral_value(ROUND_CEILING)
            setup = Setup(t, "break", steps * self.step, stop, self.beyond_slow(t, direction))
            return setup, follow(tape, setup, self.others[direction], self.step)

    def beyond_slow(self, t: int, direction: Direction) -> bool:
        """Say whether a bar closes beyond the slow average."""
        close = self.tapes[direction].bars[t].close
        return above(close, known(self.tapes[direction].slow[t]), hair(close))

    def fresh(self, t: int, direction: Direction) -> bool:
        """Say whether the MACD line is beyond its signal and crossed it recently."""
        tape = self.tapes[direction]
        return tape.line_above[t] and any(tape.crossed_up(t - back) for back in range(FRESH + 1))
