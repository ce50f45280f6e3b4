"""The follower against the plain reading: the same end, prices and R of every setup, real series and random tapes."""

from __future__ import annotations

from decimal import Decimal, localcontext
from math import isnan
from typing import TYPE_CHECKING, Any

import pytest

from scanner.analysis.columns import FAST_AVERAGE
from scanner.analysis.rules import Rules
from scanner.trade.following import Follow
from tests.demo_setups import with_every_setup
from tests.effort import EFFORT
from tests.follow.recorded import followed
from tests.laws import REAL_SERIES, bars_of, real_series
from tests.outside.plain_follow import NO_CHOICES, Choices, Setup, SideTape, follow
from tests.outside.plain_terms import DIGITS, Bar, exact
from tests.outside.random_tapes import TAPES, step_of, tape

if TYPE_CHECKING:
    from typing import Literal

    from scanner.follow.found import Found
    from scanner.follow.outcome import Outcome
    from scanner.market.bars import Bars
    from tests.outside.plain_follow import Story

    Style = Literal["early", "break", "average"]

STYLES: tuple[Style, ...] = ("early", "break", "average")


def plain_setup(found: Found, record: Any, t: int, style: Style) -> Setup:  # noqa: ANN401 - a record has no type
    """Give a setup as for the long side; the prices of its record are already mirrored."""
    sign, beyond, line = found.sign, float(record["beyond"]), float(record["line"])
    return Setup(
        t,
        style,
        entry=sign * found.entry,
        stop=sign * found.stop,
        ride=found.ride,
        beyond=None if isnan(beyond) else exact(beyond),
        average={-1: "", FAST_AVERAGE: "fast"}.get(int(record["average"]), "touch"),
        closes=int(record["closes"]),
        bars=int(record["bars"]) or None,
        line=None if isnan(line) else (exact(line), exact(float(record["slope"]))),
    )


def times_of(bars: Bars, number: int | None) -> int | None:
    return None if number is None else int(bars.close_time[number])


def assert_same(ours: Outcome, plain: Story, bars: Bars) -> None:
    """Compare one story with its plain reading."""
    sign = ours.sign
    assert ours.state == plain.state
    assert ours.stop == sign * plain.stop
    assert ours.entry == (None if plain.entry is None else sign * plain.entry)
    assert ours.exit == (None if plain.exit is None else sign * plain.exit)
    assert (ours.held, ours.ended_at) == (plain.held, times_of(bars, plain.ended))
    assert ours.entered_at == times_of(bars, plain.entered)
    assert ours.best == (None if plain.best is None else sign * plain.best)
    assert ours.worst == (None if plain.worst is None else sign * plain.worst)
    result = plain.result(sign * ours.first_stop)
    assert ours.half_exit == (None if plain.half is None else sign * plain.half)
    assert ours.r == (None if result is None else round(result, 2))


def plainly(bars: Bars) -> dict[int, SideTape]:
    """Read bars plainly, for either side."""
    columns = (bars.open, bars.high, bars.low, bars.close, bars.volume)
    plain_bars = [Bar.of(*map(float, row)) for row in zip(*columns, strict=True)]
    return {1: SideTape(plain_bars), -1: SideTape([bar.reflected() for bar in plain_bars])}


def compare(
    bars: Bars, style: Style, step: str, choices: Choices = NO_CHOICES, tapes: dict[int, SideTape] | None = None
) -> list[Outcome]:
    """Compare all stories of a series with their plain reading, and give them; ``tapes`` are its bars, read plainly."""
    tapes = tapes or plainly(bars)
    chosen = Follow(half_at=float(choices.half_at), to_entry_at=float(choices.to_entry_at), max_bars=choices.max_bars)
    rules = Rules(hold_atr=1e9, entry_style=style)  # the plain reading does not know splits
    follower = followed(bars, rules, step, chosen)
    noted, outcomes = follower.noted, follower.outcomes()
    others = {sign: {each.t for each in noted if -sign in each.sides} for sign in (1, -1)}
    came_of = {outcome.thread: outcome for outcome in outcomes}
    assert len(came_of) == len(outcomes) == sum(len(each.found) for each in noted)
    for each in noted:
        for found, record in each.found:
            plain = follow(
                tapes[found.sign], plain_setup(found, record, each.t, style), others[found.sign], Decimal(step), choices
            )
            assert_same(came_of[found.thread], plain, bars)
    return outcomes


@pytest.mark.parametrize("name", REAL_SERIES)
def test_real_series(name: str) -> None:
    bars = real_series(name)
    with localcontext(prec=DIGITS):
        tapes = plainly(bars)
        for style in STYLES:
            assert compare(bars, style, "0.01", tapes=tapes) or len(bars) < 250


@pytest.mark.parametrize(("first", "style"), list(enumerate(STYLES)))
def test_random_tapes(first: int, style: Style) -> None:
    """A third of the tapes for each entry style."""
    outcomes: list[Outcome] = []
    with localcontext(prec=DIGITS):
        for seed in range(first, 3 * TAPES // 2, len(STYLES)):
            outcomes += compare(bars_of(tape(seed)), style, str(step_of(seed)))
    for sign in (1, -1):
        states = {outcome.state for outcome in outcomes if outcome.sign == sign}
        assert {"stopped", "left", "left_on_pressure", "lapsed"} <= states


def test_the_demo_feed() -> None:
    with localcontext(prec=DIGITS):
        outcomes = compare(with_every_setup("DRIFTLOOM").bars, "break", "0.2")
    assert len(outcomes) > 100


CHOICES = {
    "half": Choices(half_at=Decimal(1)),
    "to the entry": Choices(to_entry_at=Decimal("0.5")),
    "in time": Choices(max_bars=4),
    "all": Choices(Decimal("0.75"), Decimal(1), 9),
}


@pytest.mark.parametrize("chosen", CHOICES)
def test_the_choices_of_the_user(chosen: str) -> None:
    choices = CHOICES[chosen]
    with localcontext(prec=DIGITS):
        outcomes = compare(real_series("nasdaq"), "early", "0.01", choices)
        for seed in range(5 * EFFORT):
            outcomes += compare(bars_of(tape(seed)), "break", str(step_of(seed)), choices)
    if choices.half_at:
        assert {each.sign for each in outcomes if each.half_exit is not None} == {1, -1}
    if choices.to_entry_at:
        assert {each.sign for each in outcomes if each.stop == each.entry} == {1, -1}
    assert not choices.max_bars or max(each.held for each in outcomes) == choices.max_bars
