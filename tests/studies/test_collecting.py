"""What a study collects: the same as a replay, whatever comes later and however bars are cut; every variant right."""

from __future__ import annotations

import pickle
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
import pytest

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.rules import Rules
from scanner.configuration.model import settings
from scanner.engine.series_engine import SeriesEngine
from scanner.follow.outcome import Came
from scanner.market.bars import Bars
from scanner.market.costs import Cost, Costs
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.pipeline import Inputs
from scanner.studies.stories.collecting import Asked, collect_together
from scanner.studies.stories.variants import changes_of
from scanner.trade.following import Follow
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from scanner.trade.surroundings import Surroundings
from tests.laws import all_setups, bars_of, many_found, real_series
from tests.outside.random_tapes import tape
from tests.studies.in_memory import collect, study_of_parts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.schema import Study

Style = Literal["early", "break", "average"]
CONFIG = Path(__file__).parents[2] / "config"
CENT = Decimal("0.01")
PLAIN = Asked(variants=False, draws=0)


def inputs(rulebook: Rulebook, timeframes: Sequence[str] = ("1d",), costs: Costs | None = None) -> Inputs:
    frames = tuple(Timeframe.named(name) for name in timeframes)
    instrument = Instrument("GANNET", PriceSteps.fixed(CENT), costs=costs or Costs())
    return Inputs(instrument, calendar_named("24/7"), min(frames), frames, rulebook, Account())


def studied(made: Inputs, parts: Sequence[Bars], asked: Asked | None = None) -> Study:
    return study_of_parts(collect_together([made], [parts], asked or Asked()).parts())


def said(made: Inputs, bars: Bars) -> tuple[dict[str, Any], dict[str, Came]]:
    """Push the bars through an engine as if live, and give its events of setups and the outcome of each."""
    pipeline = made.pipeline()
    told = list(pipeline.events(bars))
    outcomes = {event.thread: Came.of_event(event) for event in told if event.facts.follows and event.facts.ends}
    outcomes |= {came.thread: came for came in pipeline.under_way()}
    return {event.thread: event for event in told if event.facts.begins}, outcomes


def rows_of(table: pd.DataFrame) -> list[Any]:
    return list(table.itertuples())


def tapes(count: int) -> Bars:
    """Join invented 15-minute tapes; prices jump between them, so that series are put on hold."""
    parts = [bars_of(tape(seed)) for seed in range(count)]
    joined = Bars.joined(parts)
    opens = parts[0].open_time[0] + (parts[0].close_time[0] - parts[0].open_time[0]) * np.arange(len(joined))
    length = parts[0].close_time[0] - parts[0].open_time[0]
    return replace(joined, open_time=opens, close_time=opens + length)


@pytest.mark.parametrize("book", [all_setups(), many_found()], ids=["all setups", "plain places"])
@pytest.mark.parametrize("frames", [("15m",), ("15m", "1h")], ids=["one timeframe", "two"])
def test_a_study_has_the_setups_and_outcomes_of_live_bars(book: Rulebook, frames: tuple[str, ...]) -> None:
    bars = tapes(12)
    costs = Costs(spread=Cost(Decimal("0.02")))
    made = inputs(book, frames, costs)
    events, outcomes = said(made, bars)
    found = studied(made, [bars], PLAIN).trades
    assert set(found["id"]) == outcomes.keys()
    assert len(outcomes) > 20
    for row in rows_of(found):
        event, outcome = events[row.id], outcomes[row.id]
        data = event.data
        told = (row.setup, row.direction, row.timeframe, row.set_aside, row.place)
        said_so = *(data[key] for key in ("setup", "direction", "timeframe", "set_aside")), data["place"] or ""
        assert told == said_so
        assert (row.evidence_points, row.evidence_total) == (data["evidence_points"], data["evidence_total"])
        assert (row.found_at.value, row.state) == (event.time, outcome.state)
        assert np.isnan(row.net_r) == (outcome.r is None)
        if outcome.r is not None:
            assert row.gross_r == pytest.approx(float(outcome.r), abs=0.0051)
            assert row.cost_r == pytest.approx(float(outcome.cost or 0), abs=0.0051)
            assert row.net_r == row.gross_r - row.cost_r
        assert row.cost_known


def test_an_unknown_cost_is_a_twentieth_of_r() -> None:
    closed = collect({"nasdaq": real_series("nasdaq")}, asked=PLAIN).trades.dropna(subset="net_r")
    assert len(closed)
    assert (closed["cost_r"] == 0.05).all()
    assert not closed["cost_known"].any()


def test_how_bars_are_cut_changes_nothing() -> None:
    bars, made = tapes(6), inputs(many_found(), ("15m", "1h"))
    whole = studied(made, [bars])
    edges = [0, 300, 301, 1_000, 1_777, len(bars)]
    cut = studied(made, [bars[first:last] for first, last in pairwise(edges)])
    pd.testing.assert_frame_equal(whole.trades, cut.trades, check_exact=True)
    pd.testing.assert_frame_equal(whole.members, cut.members)


def test_the_order_of_instruments_changes_nothing() -> None:
    bars = {name: real_series(name) for name in ("sp500", "IBM", "MSFT")}
    one, other = collect(bars), collect(dict(reversed(bars.items())))
    pd.testing.assert_frame_equal(one.trades, other.trades, check_exact=True)
    pd.testing.assert_frame_equal(one.members, other.members)
    assert one.variants == other.variants


def test_instruments_studied_together_have_the_stories_that_each_has_alone() -> None:
    """Whatever their steps, costs, timeframes and rules, and wherever they are put on hold."""
    steps = (CENT, Decimal("0.05"), CENT, CENT)
    costs = (Costs(), Costs(spread=Cost(Decimal("0.02"))), Costs(spread=Cost(Decimal("0.02"))), Costs())
    books, frames = (many_found(), many_found(), all_setups(), many_found()), (["15m", "1h"], ["15m"], ["15m"], ["1h"])
    given = [
        replace(made, instrument=Instrument(f"GANNET {number}", PriceSteps.fixed(step), costs=cost))
        for number, (made, step, cost) in enumerate(zip(map(inputs, books, frames), steps, costs, strict=True))
    ]
    tape_of = [tapes(5), tapes(3), tapes(4), Bars.of([])]
    asked = Asked(draws=3)
    parts = collect_together(given, [[bars] for bars in tape_of], asked).parts()
    together = {own.instruments[0].instrument: own for part in parts for own in part.alone()}
    for made, bars in zip(given, tape_of, strict=True):
        part = together[made.instrument.symbol]
        (alone,) = collect_together([made], [[bars]], asked).parts()
        pd.testing.assert_frame_equal(part.trades.to_pandas(), alone.trades.to_pandas(), check_exact=True)
        assert replace(part, trades=alone.trades) == alone
    assert [len(together[each.instrument.symbol].trades) > 50 for each in given] == [True, True, True, False]


@pytest.mark.parametrize("name", ["sp500", "AAPL"])
def test_bars_after_the_last_end_may_be_anything(name: str) -> None:
    """The stories of setups and variants do not depend on later bars."""
    bars = real_series(name)
    asked = Asked(draws=0)
    before = collect({name: bars}, step=CENT, asked=asked)
    last = int(np.searchsorted(bars.close_time, before.trades["ended_at"].max().value))
    rng = np.random.default_rng(5)
    noise = np.round(bars.close[last] + np.cumsum(rng.normal(0, 0.3, len(bars) - last - 1)), 2)
    prices = [column.copy() for column in (bars.open, bars.high, bars.low, bars.close)]
    for column, move in zip(prices, (0.0, 0.5, -0.5, 0.1), strict=True):
        column[last + 1 :] = noise + move
    after = collect(
        {name: replace(bars, open=prices[0], high=prices[1], low=prices[2], close=prices[3])}, step=CENT, asked=asked
    )
    kept = after.trades[after.trades["found_at"] <= before.trades["found_at"].max()].reset_index(drop=True)
    pd.testing.assert_frame_equal(before.trades, kept, check_exact=True)


def moved_books(book: Rulebook) -> dict[str, Rulebook]:
    """Give, by variant, a rulebook configured as the variant changes it."""
    made: dict[str, Rulebook] = {}
    for variant in changes_of(book, variants=True).variants:
        if variant.kind not in {"moved", "surrounding_off"}:
            continue
        table, _, name = variant.what.rpartition(".")
        around = book.surroundings
        if variant.kind == "surrounding_off":
            kept = tuple(each for each in around.require if each != variant.what)
            other = replace(book, surroundings=Surroundings.model_validate(around.model_dump() | {"require": kept}))
        elif name == "require":
            wanted = (*around.require, variant.value)
            other = replace(book, surroundings=Surroundings.model_validate(around.model_dump() | {"require": wanted}))
        elif table == "surroundings":
            other = replace(book, surroundings=Surroundings.model_validate(around.model_dump() | {name: variant.value}))
        elif table == "rules":
            other = replace(book, rules=Rules.model_validate(book.rules.model_dump() | {name: variant.value}))
        else:
            setups = [
                replace(each, numbers=each.numbers.model_copy(update={name: variant.value}))
                if each.setup.name == table
                else each
                for each in book.setups
            ]
            other = replace(book, setups=tuple(setups))
        made[variant.name] = other
    return made


def test_each_changed_setting_finds_the_same_as_when_configured() -> None:
    names = ("engulfing", "flag", "doji_pause")
    book = Rulebook(Rules(), tuple(Chosen(known()[name], known()[name].numbers()) for name in names))
    bars, frames = tapes(6), ("15m",)
    study = studied(inputs(book, frames), [bars], Asked(draws=0))
    members = {str(name): set(ids) for name, ids in study.members.groupby("variant")["id"]}
    known_rows = set(study.trades["id"])
    changed = 0
    left_out = {name for name in moved_books(book) if name.startswith(("flag: trigger_bars", "flag: back_max"))}
    assert len(left_out) == 4
    assert not left_out & members.keys()
    for name, other in moved_books(book).items():
        if name in left_out:  # they change the entry or the spoiler
            continue
        alone = studied(inputs(other, frames), [bars], PLAIN).trades
        expected = set(alone["id"][alone["set_aside"] == ""])
        found = members.get(name, members["as is"])  # a variant that changes no trade is also left out
        assert found == expected, name
        assert expected <= known_rows
        changed += found != members["as is"]
    assert changed > 15


def test_a_rule_off_only_adds() -> None:
    study = studied(inputs(all_setups(), ("15m",)), [tapes(6)], Asked(draws=0))
    members = {str(name): set(ids) for name, ids in study.members.groupby("variant")["id"]}
    off = [variant.name for variant in study.variants if variant.kind == "rule_off"]
    assert len(off) > 20
    assert all(members[name] >= members["as is"] for name in off)
    assert sum(members[name] > members["as is"] for name in off) > 10


@pytest.mark.parametrize("style", ["early", "break", "average"])
def test_controls_have_the_risk_of_their_setup_and_never_touch_the_warm_up(style: Style) -> None:
    bars = tapes(8)
    book = replace(many_found(), rules=Rules(place_quality="plain", entry_style=style), follow=Follow(half_at=1.0))
    trades = studied(inputs(book, ("15m",)), [bars]).trades
    setups = {row.id: row for row in rows_of(trades[trades["source"] == "setup"])}
    controls = rows_of(trades[(trades["source"] != "setup")])
    assert len(controls) > 50
    assert {row.source for row in controls} == {"chance", "chance_cross"}
    for row in controls:
        of = setups[row.of]
        assert row.direction == of.direction
        assert row.found_at.value >= bars.close_time[249]
        if of.risk == of.risk and row.risk == row.risk:  # entered, both
            wanted = abs(of.planned_entry - of.first_stop) * of.risk_atr / of.risk
            assert abs(row.planned_entry - row.first_stop) * row.risk_atr / row.risk == pytest.approx(
                wanted, abs=0.0051 * row.risk_atr / row.risk
            )


@pytest.mark.parametrize("require", [("cost",), ()], ids=["required", "not required"])
def test_where_a_cost_is_too_high_for_a_setup_it_is_for_a_control(require: tuple[Literal["cost"], ...]) -> None:
    book = replace(many_found(), surroundings=Surroundings(require=require))
    cost = Costs(spread=Cost(Decimal("0.12")), commission=Cost(Decimal("0.0005"), "%"))
    trades = studied(inputs(book, costs=cost), [real_series("AAPL")], Asked(variants=False)).trades
    controls = trades[trades["source"] != "setup"]
    entry, risk = controls["planned_entry"], (controls["planned_entry"] - controls["first_stop"]).abs()
    assert len(controls) > 30
    assert (0.12 + 2 * 0.000005 * entry > 0.1 * risk + 1e-9).any() == (not require)


def test_the_parts_of_a_pipeline_can_be_sent_to_other_processes() -> None:
    known_settings = settings.load(CONFIG / "watch.own_setup.example.toml")
    there = pickle.loads(pickle.dumps(known_settings))  # noqa: S301 - our own bytes
    assert there.model_dump() == known_settings.model_dump()
    assert (there.mark, there.rulebook_of().told) == (known_settings.mark, known_settings.rulebook_of().told)
    assert there.rulebook_of().setups[0].setup.measure is known_settings.rulebook_of().setups[0].setup.measure
    for name in ("none", "24/7", "24/5", "XNYS"):
        calendar = calendar_named(name)
        assert pickle.loads(pickle.dumps(calendar)) == calendar  # noqa: S301 - as above
    made = inputs(all_setups(), ("15m", "1h"))
    again = pickle.loads(pickle.dumps(made))  # noqa: S301 - as above
    assert again == made
    assert isinstance(again.pipeline().lanes[0].engine, SeriesEngine)


def test_secrets_for_feeds_and_sinks_are_not_sent() -> None:
    environ = {"CLOSEWATCH_STATION__ZONE": "Asia/Tokyo", "CLOSEWATCH_SINKS__MAIL__PASSWORD": "no one's", "HOME": "/"}
    there = pickle.dumps(settings.from_document({}, Path(), environ))
    assert b"no one's" not in there
    assert pickle.loads(there).station.zone == "Asia/Tokyo"  # noqa: S301 - our own bytes
