"""Laws of the engine, whatever the bars are."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from scanner.analysis.fits import fits_at
from scanner.analysis.places import around
from scanner.analysis.pool import FEW
from scanner.analysis.rules import Rules
from scanner.event_data import NOT_JUDGED, StoryData
from scanner.events import KINDS, rfc3339
from scanner.market.bars import Bars
from scanner.service.resuming import restore_engines, state_of, windows_of
from scanner.trade.following import Follow
from scanner.trade.surroundings import Surroundings
from tests.effort import EFFORT
from tests.laws import DAY, START, all_setups, bars_of, engine, said, told_ahead
from tests.outside.random_tapes import tape as plain_tape
from tests.outside.spiked_tapes import spiked

if TYPE_CHECKING:
    from scanner.events import Event
    from tests.laws import Row

SEEDS = st.integers(0, 10_000)
LINES = settings(max_examples=5 * EFFORT)
SECOND = 1_000_000_000


def tape(seed: int) -> list[Row]:
    """Give a tape; every second one has bars that look like bad ticks."""
    return spiked(plain_tape(seed), seed) if seed % 2 else plain_tape(seed)


def as_json(events: list[Event]) -> list[str]:
    return [event.to_json() for event in events]


def setups(events: list[Event]) -> list[Event]:
    return [event for event in events if event.facts.begins]


def later(events: list[Event]) -> list[Event]:
    """Give the events that follow setups."""
    return [event for event in events if event.facts.follows]


def ahead(events: list[Event]) -> list[Event]:
    """Give the setups announced one bar ahead."""
    return [event for event in events if event.facts.ahead]


def test_the_tapes_say_something() -> None:
    # The laws below would hold of silence too.
    told = [event for seed in range(20) for event in said(bars_of(tape(seed)))]
    found = setups(told)
    assert len(found) > 50
    kinds = Counter(event.kind for event in later(told))
    # Without a jump as after a split no story is broken off, and without a restated bar no setup is withdrawn.
    assert kinds.keys() == {kind for kind, facts in KINDS.items() if facts.data is StoryData} - {"setup.broken_off"}
    assert min(kinds.values()) > 50
    assert {event.data["direction"] for event in found} == {"long", "short"}
    assert {event.data["direction"] for event in ahead(told)} == {"long", "short"}
    assert {place for event in found for place, looked in event.data["places"].items() if looked["verdict"]} == {
        "line",
        "average",
        "level",
        "turn",
    }


def test_where_half_is_to_be_closed_every_size_is_an_even_number_of_lots() -> None:
    def sizes(follow: Follow) -> list[int]:
        book = replace(all_setups(), follow=follow)
        return [int(event.data["size"]) for event in setups(engine(rulebook=book).push(bars_of(tape(0))))]

    whole = sizes(Follow())
    assert any(size % 2 for size in whole)
    assert sizes(Follow(half_at=1)) == [size // 2 * 2 for size in whole]


def test_nothing_is_compiled_again_for_one_setup() -> None:
    judging = engine()
    judging.push(bars_of(tape(0)))
    judging.judge_last()
    functions: list[Any] = [around.look_around, *(chosen.setup.weigh for chosen in judging.rulebook.setups)]
    compiled = [function.signatures for function in functions]
    last = judging.series.used - 1
    both = np.array([[judging.series.row, last, 1], [judging.series.row, last, -1]])
    for which in range(len(judging.rulebook.setups)):
        fits_at(judging.series.pool, [(which, both)], np.ones(2, dtype=np.bool_))
    assert [function.signatures for function in functions] == compiled


@LINES
@given(SEEDS, st.lists(st.integers(0, 1_500), max_size=12))
def test_any_cutting_of_the_bars_says_the_same_byte_for_byte(seed: int, cuts: list[int]) -> None:
    bars = bars_of(tape(seed))
    assert as_json(said(bars, [cut for cut in cuts if cut < len(bars)])) == as_json(said(bars))


@settings(max_examples=2 * EFFORT)
@given(SEEDS)
def test_bar_by_bar_says_the_same_as_all_at_once(seed: int) -> None:
    bars = bars_of(tape(seed))
    assert as_json(said(bars, range(1, len(bars)))) == as_json(said(bars))


@pytest.mark.parametrize(
    "changes",
    [
        {"rules": Rules(volatility_length=300)},
        {"surroundings": Surroundings(liquid_bars=90, min_turnover=1.0)},
    ],
    ids=["volatility", "turnover"],
)
def test_the_small_windows_of_a_station_hold_all_that_surroundings_look_back_at(changes: dict[str, Any]) -> None:
    bars, book = bars_of(tape(2)), replace(all_setups(), **changes)
    station = engine(rulebook=book, room=FEW)
    one_by_one = [event for index in range(len(bars)) for event in station.push(bars[index : index + 1])]
    found = setups(one_by_one)
    assert any(event.data["surroundings"]["volatility"]["measured"] for event in found)
    assert not any(event.data["surroundings"]["liquid"]["text"].startswith(NOT_JUDGED) for event in found)
    assert as_json(one_by_one) == as_json(engine(rulebook=book).push(bars))


@LINES
@given(SEEDS, st.integers(1, 1_500))
def test_later_bars_change_nothing_already_said(seed: int, end: int) -> None:
    bars = bars_of(tape(seed))
    early = as_json(said(bars[:end]))
    assert as_json(said(bars))[: len(early)] == early


@LINES
@given(SEEDS, st.integers(1, 1_500), st.integers(0, 70))
@example(2, 300, 20)  # a story is under way
def test_a_restored_series_goes_on_as_if_never_stopped(seed: int, end: int, since: int) -> None:
    """Wherever it stops, and however many bars ago its windows were kept."""
    bars = bars_of(tape(seed))
    end = min(end, len(bars))
    at = max(end - since, 0)
    first, second = engine(rulebook=told_ahead()), engine(rulebook=told_ahead())
    before = first.push(bars[:at])
    checkpoint, kept = windows_of(first), min(first.series.count, first.rulebook.history)
    before += first.push(bars[at:end])
    whole = np.array([at - kept]), np.array([end])
    assert not restore_engines([second], [state_of(first)], [checkpoint], bars, *whole)
    assert as_json(before + second.push(bars[end:])) == as_json(said(bars))


MIRRORED = {"long": "short", "short": "long"}


def facts(data: dict[str, Any], sign: int) -> dict[str, Any]:
    """Give what a setup says in numbers; with sign −1, as seen in a mirror."""

    def price(text: str | None) -> Decimal | None:
        return None if text is None else sign * Decimal(text)

    def measures(named: dict[str, Any]) -> dict[str, Any]:
        return {name: (measure["measured"], measure["verdict"]) for name, measure in named.items()}

    levels = data["levels"]
    return {
        "direction": sign * {"long": 1, "short": -1}[data["direction"]],
        "setup": data["setup"],
        "bar": data["bar_close"],
        "place": data["place"],
        "rules": measures(data["rules"]),
        "places": measures(data["places"]),
        "place prices": {name: price(place["price"]) for name, place in data["places"].items()},
        "surroundings": measures(data["surroundings"]),
        "set_aside": bool(data["set_aside"]),
        "alongside": sorted(
            (name, way if sign > 0 else MIRRORED[way]) for name, way in map(str.split, data["alongside"])
        ),
        "evidence": measures(data["evidence"]),
        "levels": {name: price(levels[name]) for name in ("early", "break", "average", "stop", "obstacle")},
        "objectives": [price(objective) for objective in levels["objectives"]],
        "entries": {
            style: (price(entry["price"]), entry["risk"], entry["room"], entry["size"], price(entry["obstacle"]))
            for style, entry in data["entries"].items()
        },
        "exit": data["exit_plan"]["style"],
    }


PRICES = ("close", "planned_entry", "entry", "first_stop", "stop", "exit", "half_exit")
THE_SAME = (
    *("setup", "bar_close", "setup_close", "set_aside", "evidence_points", "exit_style", "state", "bars_waited"),
    *("bars_held", "planned_risk", "risk", "r", "r_at_stop", "best_r", "worst_r", "cost_r", "size", "result"),
)


def story(event: Event, sign: int) -> tuple[Any, ...]:
    """Give an event that follows a setup in numbers; with sign −1, mirrored."""
    data = event.data
    prices = [None if data[name] is None else sign * Decimal(data[name]) for name in PRICES]
    direction = sign * {"long": 1, "short": -1}[data["direction"]]
    return event.kind, direction, len(data["pressure"]), *(data[name] for name in THE_SAME), prices


def forming(event: Event, sign: int) -> tuple[Any, ...]:
    """Give the announcement of a setup in numbers; with sign −1, mirrored."""
    turned = {"high": "low", "low": "high"} if sign < 0 else {}

    def bounds(need: dict[str, Any]) -> tuple[Any, ...]:
        least, most = need["least"], need["most"]
        if sign < 0 and need["what"] in {"close", "high", "low"}:
            least, most = (None if each is None else f"{-Decimal(each)}" for each in (most, least))
        return turned.get(need["what"], need["what"]), least, most, need["beyond"]

    data = event.data
    held = [name for name, place in data["places"].items() if place["verdict"]]
    direction = sign * {"long": 1, "short": -1}[data["direction"]]
    return data["setup"], direction, data["bar_close"], held, list(map(bounds, data["must"]))


@LINES
@given(SEEDS)
@example(1161)
def test_mirrored_prices_give_mirrored_setups_and_levels(seed: int) -> None:
    rows = tape(seed)
    reflected = [(-o, -low, -high, -c, v) for o, high, low, c, v in rows]
    ours, theirs = said(bars_of(rows)), said(bars_of(reflected))
    assume(not any(event.kind == "series.held" for event in ours + theirs))  # below zero there are no splits
    direct = [facts(event.data, 1) for event in setups(ours)]
    other = [facts(event.data, -1) for event in setups(theirs)]

    # A bar may break both sides falsely and close midway. The long one comes first, also when mirrored.
    def by_bar(fact: dict[str, Any]) -> tuple[Any, ...]:
        return fact["bar"], fact["setup"], fact["direction"]

    assert sorted(direct, key=by_bar) == sorted(other, key=by_bar)
    here, mirrored = ([story(each, sign) for each in later(told)] for told, sign in ((ours, 1), (theirs, -1)))
    assert sorted(here, key=str) == sorted(mirrored, key=str)
    here, mirrored = ([forming(each, sign) for each in ahead(told)] for told, sign in ((ours, 1), (theirs, -1)))
    assert sorted(here, key=str) == sorted(mirrored, key=str)


@LINES
@given(SEEDS, st.integers(-4, 6))
@example(1389, 1)  # a close of 0
def test_prices_and_step_times_a_power_of_ten_give_the_same_setups(seed: int, power: int) -> None:
    rows = tape(seed)
    factor = Decimal(10) ** power

    def times(price: float) -> float:
        return float(Decimal(repr(price)) * factor)

    scaled = [(times(o), times(high), times(low), times(c), v) for o, high, low, c, v in rows]
    plain, tens = said(bars_of(rows)), said(bars_of(scaled), step=str(Decimal("0.01") * factor))
    direct, other = setups(plain), setups(tens)
    assert [(event.id, event.data["place"], event.data["evidence_points"]) for event in direct] == [
        (event.id, event.data["place"], event.data["evidence_points"]) for event in other
    ]
    for one, ten in zip(direct, other, strict=True):
        for level in ("early", "break", "average", "stop"):
            ours, theirs = one.data["levels"][level], ten.data["levels"][level]
            assert ours is theirs is None or Decimal(ours) * factor == Decimal(theirs)
    in_risks = ("state", "r", "r_at_stop", "best_r", "worst_r", "bars_held")
    assert [(event.id, *(event.data[name] for name in in_risks)) for event in later(plain)] == [
        (event.id, *(event.data[name] for name in in_risks)) for event in later(tens)
    ]


@LINES
@given(SEEDS, st.integers(-5_000, 5_000))
def test_a_shift_by_whole_days_shifts_only_times(seed: int, days: int) -> None:
    rows, by = tape(seed), days * DAY

    def moved(data: dict[str, Any]) -> dict[str, Any]:
        times = {"bar_open", "bar_close", "setup_close", "next_open", "next_close", "valid_until"} & data.keys()
        moments = {name: int(datetime.fromisoformat(data[name]).timestamp()) * SECOND + by for name in times}
        return data | {name: rfc3339(moment) for name, moment in moments.items()} | {"becomes": ""}

    direct, other = said(bars_of(rows)), said(bars_of(rows, START + by))
    assert [moved(event.data) for event in direct] == [event.data | {"becomes": ""} for event in other]
    assert [(event.kind, event.time + by) for event in direct] == [(event.kind, event.time) for event in other]


@pytest.mark.parametrize(("spike", "step"), [(9.9e14, "1e-20"), (1e27, "0.01"), (1e300, "500")])
def test_a_price_beyond_reason_ends_in_answers_on_any_grid(spike: float, step: str) -> None:
    # The guard refuses the larger ones, but they may stand among stored bars.
    columns = [column.copy() for column in bars_of(tape(7)).columns()]
    columns[3][::37] = spike  # the high of every 37th bar
    bars, watcher = Bars(*columns), engine(step)
    judged = 0
    for index in range(0, len(bars), 9):
        watcher.push(bars[index : index + 9])
        judged += len(watcher.judge_last())
    assert judged > 1_000


def test_a_volume_that_is_always_zero_is_none_at_all() -> None:
    def evidence(volume: float) -> list[tuple[Any, ...]]:
        rows = [(*row[:4], volume) for row in tape(4)]
        told = [event.data for event in setups(said(bars_of(rows)))]
        return [(data["evidence"], data["evidence_points"], data["evidence_total"]) for data in told]

    assert len(evidence(0.0)) > 20
    assert evidence(0.0) == evidence(float("nan"))


def test_the_first_bars_have_no_usual_volume_whatever_was_in_memory() -> None:
    watcher = engine()
    watcher.push(bars_of(tape(7)))
    watcher.series.restart()
    watcher.push(bars_of(tape(8)[:10]))
    told = [each.evidence[name] for each in watcher.judge_last() for name in each.evidence if "volume" in name]
    assert told
    assert {each["measured"] for each in told} == {None}
