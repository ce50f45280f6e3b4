"""Laws of following that hold for any bars."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.analysis.pool import MANY
from scanner.analysis.rules import Rules
from scanner.market.costs import Cost, Costs
from scanner.wording.times import parse_time
from tests.effort import EFFORT
from tests.follow.recorded import NotingFollower, ended, noting
from tests.laws import all_setups, bars_of, engine, real_series
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.engine.series_engine import SeriesEngine
    from scanner.follow.outcome import Outcome
    from scanner.market.bars import Bars

SEEDS = st.integers(0, 10_000)
STYLES = st.sampled_from(["early", "break", "average"])
LINES = settings(max_examples=4 * EFFORT)
ENDED = {"stopped", "left", "left_on_pressure"}


def following(style: str, room: int = MANY) -> tuple[SeriesEngine, NotingFollower]:
    return noting(all_setups(Rules.model_validate({"entry_style": style})), room=room)


def outcomes(bars: Bars, style: str, cuts: Sequence[int] = (), room: int = MANY) -> list[Outcome]:
    """Follow bars that come in pieces, and give the outcomes, by setup."""
    watcher, follower = following(style, room)
    for first, last in pairwise([0, *sorted(cuts), len(bars)]):
        watcher.push(bars[first:last])
    return sorted(follower.outcomes(), key=lambda outcome: outcome.thread)


@LINES
@given(SEEDS, STYLES, st.lists(st.integers(0, 1_500), max_size=12))
def test_outcomes_do_not_depend_on_how_the_bars_are_cut(seed: int, style: str, cuts: list[int]) -> None:
    bars = bars_of(tape(seed))
    assert outcomes(bars, style, [cut for cut in cuts if cut < len(bars)]) == outcomes(bars, style)


@settings(max_examples=2 * EFFORT)
@given(SEEDS, STYLES)
def test_bar_by_bar_the_outcomes_are_the_same(seed: int, style: str) -> None:
    bars = bars_of(tape(seed))
    assert outcomes(bars, style, range(1, len(bars))) == outcomes(bars, style)


def test_with_a_piece_longer_than_the_window_the_outcomes_are_the_same() -> None:
    room, many = 2_000, bars_of([row for seed in range(8) for row in tape(seed)])
    assert len(many) > 3 * room
    assert outcomes(many, "break", range(1_000, len(many), 1_000)) == outcomes(many, "break", room=room)


@LINES
@given(SEEDS, STYLES, st.integers(1, 1_500))
def test_later_bars_change_nothing_that_has_ended(seed: int, style: str, end: int) -> None:
    bars = bars_of(tape(seed))
    watcher, follower = following(style)
    watcher.push(bars[:end])
    early = follower.ended()
    threads = {outcome.thread for outcome in early}
    assert sorted(early, key=lambda each: each.thread) == [
        outcome for outcome in outcomes(bars, style) if outcome.thread in threads
    ]


def seen(bars: Bars, sign: int, style: str) -> list[tuple[object, ...]]:
    """Give all stories, mirrored if the sign is −1, without threads and words, which differ."""

    def price(value: Decimal | None) -> str:
        return "" if value is None else f"{sign * value + 0:.6f}"  # avoid negative zero

    return sorted(
        (
            *(each.ended_at or 0, each.entered_at or 0, sign * each.sign, each.state, each.held, each.set_aside),
            *(str(each.r), price(each.planned), price(each.first_stop), price(each.stop)),
            *(price(each.entry), price(each.exit), price(each.best), price(each.worst)),
        )
        for each in outcomes(bars, style)
    )


@LINES
@given(SEEDS, STYLES)
def test_mirrored_prices_have_mirrored_outcomes(seed: int, style: str) -> None:
    rows = tape(seed)
    reflected = [(-o, -low, -high, -c, v) for o, high, low, c, v in rows]
    assert seen(bars_of(rows), 1, style) == seen(bars_of(reflected), -1, style)


@LINES
@given(SEEDS, STYLES)
def test_every_setup_ends_or_is_under_way_and_its_numbers_add_up(seed: int, style: str) -> None:
    bars = bars_of(tape(seed))
    watcher, follower = following(style)
    setups = {
        event.thread: event.data for event in watcher.push(bars) if event.kind in {"setup.qualified", "setup.set_aside"}
    }
    told = follower.outcomes()
    planned = {thread for thread, data in setups.items() if data["entries"][style]["risk"] is not None}
    assert sorted(outcome.thread for outcome in told) == sorted(planned)
    for outcome in told:
        data, sign = setups[outcome.thread], outcome.sign
        assert Decimal(data["entries"][style]["price"]) == outcome.planned
        assert Decimal(data["entries"][style]["risk"]) == outcome.planned_risk
        assert outcome.set_aside == bool(data["set_aside"])
        assert sign * (outcome.stop - outcome.first_stop) >= 0, "the stop never moves away from the price"
        assert (outcome.r is not None) == (outcome.state in ENDED) == (outcome.exit is not None)
        assert (outcome.ended_at is None) == (outcome.state in {"waiting", "open"})
        if outcome.entry is None or outcome.best is None or outcome.worst is None:
            assert outcome.state in {"waiting", "lapsed", "spoiled", "broken_off"}
            continue
        assert outcome.risk == sign * (outcome.entry - outcome.first_stop) > 0
        furthest = [sign * price for price in (outcome.worst, outcome.entry, outcome.exit or outcome.entry)]
        assert furthest[0] == min(furthest)
        assert sign * outcome.best >= max(furthest)
        if outcome.exit is not None:
            assert outcome.r == round(sign * (outcome.exit - outcome.entry) / outcome.risk, 2)


@LINES
@given(SEEDS)
def test_the_stop_moves_only_toward_the_price_bar_after_bar(seed: int) -> None:
    bars, (watcher, follower) = bars_of(tape(seed)), following("early")
    stops: dict[str, Decimal] = {}
    moved = 0
    for first in range(0, len(bars), 5):
        watcher.push(bars[first : first + 5])
        for outcome in follower.outcomes():
            before = stops.setdefault(outcome.thread, outcome.first_stop)
            assert outcome.sign * (outcome.stop - before) >= 0
            moved += outcome.stop != before
            stops[outcome.thread] = outcome.stop


def test_a_split_breaks_off_what_is_waiting_and_what_is_open() -> None:
    bars, (watcher, follower), end = real_series("sp500"), following("break"), 0
    under_way: dict[str, Outcome] = {}
    while {each.state for each in under_way.values()} != {"waiting", "open"}:
        watcher.push(bars[end : end + 1])
        end += 1
        under_way = {each.thread: each for each in follower.under_way()}
    last = bars[end : end + 1]
    halved = replace(last, open=last.open / 2, high=last.high / 2, low=last.low / 2, close=last.close / 2)
    before = len(follower.told)
    *said, held = watcher.push(halved)
    broken = ended(follower.told[before:])
    assert [event.kind for event in said] == ["setup.broken_off"] * len(broken)
    assert {each.thread for each in broken} == set(under_way)
    for each in broken:
        assert (each.state, each.reason, each.ended_at) == ("broken_off", held.data["reason"], held.time)
        assert (each.entry, each.exit, each.r) == (under_way[each.thread].entry, None, None)


def test_costs_are_given_in_real_r() -> None:
    watcher, _ = following("early")
    watcher.instrument = replace(watcher.instrument, costs=Costs(spread=Cost.of("0.02"), commission=Cost.of("0.01")))
    follower = watcher.follower = NotingFollower(watcher)
    watcher.push(bars_of(tape(1)))
    entered = [each for each in follower.ended() if each.risk is not None]
    assert entered
    assert all(each.cost_in_risks == round(Decimal("0.04") / each.risk, 2) for each in entered if each.risk)
    assert all(each.cost_in_risks is None for each in outcomes(bars_of(tape(1)), "early"))


@pytest.mark.parametrize(("spike", "step"), [(9.9e14, "1e-20"), (1e27, "0.01"), (1e300, "500")])
def test_a_price_beyond_reason_ends_in_outcomes_on_any_grid(spike: float, step: str) -> None:
    # The guard refuses larger prices, but stored bars may have them.
    bars = bars_of(tape(7))
    high = bars.high.copy()
    high[::37] = spike
    watcher, follower = noting(all_setups(Rules(entry_style="early")), step)
    watcher.push(replace(bars, high=high))
    told = follower.outcomes()
    assert len(told) > 5
    assert all(each.r is None or each.r.is_finite() for each in told)


@pytest.mark.parametrize("style", ["early", "break", "average"])
def test_an_entry_is_valid_until_the_last_moment_at_which_it_can_be_filled(style: str) -> None:
    """An early and an average entry are filled at an open, a break entry until a bar has closed."""
    spare = set()
    for seed in range(4):
        said = all_setups(Rules.model_validate({"entry_style": style}))
        events = engine(rulebook=said).push(bars_of(tape(seed)))
        until = {event.thread: event.data["valid_until"] for event in events if event.facts.begins}
        for event in events:
            if event.kind == "setup.entered":
                filled = event.data["bar_close" if style == "break" else "bar_open"]
                spare.add(parse_time(until[event.thread]) - parse_time(filled))
    assert min(spare) == 0
