"""A study against the plain one: every trade of the real series, with each rule off, and of controls."""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from scanner.analysis.rules import Rules
from scanner.trade.rulebook import Rulebook
from tests.laws import REAL_SERIES, real_series
from tests.outside.plain_indicators import known
from tests.outside.plain_reading import Reading
from tests.outside.plain_study import COST, Study
from tests.outside.plain_surroundings import Circumstances
from tests.outside.two_readings import plain_bars
from tests.studies.in_memory import collect

if TYPE_CHECKING:
    from scanner.studies.schema import Study as Collected
    from tests.outside.plain_follow import Setup, Story

CENT = Decimal("0.01")
LONG_ENOUGH = [name for name in REAL_SERIES if name != "FB"]
"""One series has too few bars for any setup."""


@cache
def both(name: str) -> tuple[Collected, Study]:
    """Study a series in both ways. The plain reading does not know splits."""
    bars = real_series(name)
    ours = collect({name: bars}, rulebook=Rulebook(Rules(hold_atr=1e9)), step=CENT)
    around = Circumstances(bars.open_time.tolist(), bars.close_time.tolist())
    plain = plain_bars(bars)
    return ours, Study(plain, Reading(plain, {"step": CENT}, around), CENT)


def rows_of(table: Any) -> list[Any]:  # noqa: ANN401 - neither tables nor their rows have useful types
    return list(table.itertuples())


def number(bars_of: str, moment: Any) -> int:  # noqa: ANN401 - a time of a table
    return int(np.searchsorted(real_series(bars_of).close_time, moment.value))


def assert_same(row: Any, name: str, setup: Setup, story: Story) -> None:  # noqa: ANN401 - a row of a table
    """Compare a row of the trades with a plainly read story."""
    sign = 1 if row.direction == "long" else -1
    closes = real_series(name).close_time

    def same(ours: float, plain: Decimal | None) -> bool:
        return isnan(ours) if plain is None else ours == float(plain)

    assert row.state == story.state
    assert same(row.planned_entry, sign * setup.entry)
    assert same(row.first_stop, sign * setup.stop)
    assert same(row.stop, sign * story.stop)
    assert same(row.entry, None if story.entry is None else sign * story.entry)
    assert same(row.exit, None if story.exit is None else sign * story.exit)
    assert row.bars_held == story.held
    for ours, plain in ((row.entered_at, story.entered), (row.ended_at, story.ended)):
        assert (None if plain is None else int(closes[plain])) == (None if str(ours) == "NaT" else ours.value)
    gross = story.result(setup.stop)
    assert same(row.gross_r, gross)
    assert isnan(row.net_r) if gross is None else row.net_r == pytest.approx(float(gross - COST), abs=1e-12)
    stopped = story.state == "stopped"
    assert row.both_in_one_bar == (stopped and story.entered == story.ended)
    assert row.gapped_stop == (stopped and known(story.exit) < story.stop)
    if story.entry is not None:
        risk = story.entry - setup.stop
        assert row.risk == float(risk)
        assert row.best_r == pytest.approx(float((known(story.best) - story.entry) / risk), abs=1e-12)
        assert row.worst_r == pytest.approx(float((known(story.worst) - story.entry) / risk), abs=1e-12)


@pytest.mark.parametrize("name", LONG_ENOUGH)
def test_every_setup_and_what_one_rule_off_would_add(name: str) -> None:
    ours, plain = both(name)
    members: dict[str, set[str]] = {str(key): set(ids) for key, ids in ours.members.groupby("variant")["id"]}
    told = [variant.name for variant in ours.variants if variant.kind in {"as_is", "rule_off"}]
    near = set[str]().union(*(members.get(variant, set()) for variant in told))
    trades = ours.trades[ours.trades["source"] == "setup"]
    rows = {
        (number(name, row.found_at), row.direction): row
        for row in rows_of(trades)
        if row.id in near or (row.found and row.set_aside)
    }
    by_place = {(trade.t, trade.direction): trade for trade in plain.trades}
    assert rows.keys() == by_place.keys()
    for key, row in rows.items():
        trade = by_place[key]
        assert_same(row, name, trade.setup, trade.story)
        assert row.found == (not trade.failing)
        assert bool(row.set_aside) == trade.finding.set_aside
        assert row.place == (trade.finding.safest or "")
        assert (row.evidence_points, row.evidence_total) == trade.finding.points
        for around, judged in trade.finding.surroundings.items():
            verdict = getattr(row, f"around_{around}")
            assert verdict == (
                "unknown" if judged.measured is None and judged.verdict else "holds" if judged.verdict else "fails"
            )
        in_as_is = not trade.failing and not trade.finding.set_aside
        assert (row.id in members.get("as is", set())) == in_as_is
        for rule in trade.finding.rules:
            inside = trade.failing <= {rule} and not trade.finding.set_aside
            assert (row.id in members.get(f"doji_pause: {rule} off", set())) == inside, (key, rule)


@pytest.mark.parametrize("name", LONG_ENOUGH)
def test_every_control(name: str) -> None:
    ours, plain = both(name)
    trades = ours.trades
    setups = {row.id: row for row in rows_of(trades[trades["source"] == "setup"])}
    controls = trades[trades["source"] != "setup"]
    assert len(controls) > 30
    for row in rows_of(controls):
        t, sign, of = number(name, row.found_at), 1 if row.direction == "long" else -1, setups[row.of]
        tape, there = plain.tapes[row.direction], number(name, of.found_at)
        setup, story = plain.control(t, row.direction, sign * Decimal(repr(row.first_stop)))
        assert_same(row, name, setup, story)
        assert t >= Rules().warm_up - 1
        assert of.found
        assert not of.set_aside
        assert (row.direction, row.exit_style) == (of.direction, "ride" if setup.ride else "quick")
        wanted = abs(of.planned_entry - of.first_stop) / float(known(tape.atr[there]))
        risk = float(setup.entry - setup.stop)
        assert risk == pytest.approx(wanted * float(known(tape.atr[t])), abs=0.0051)
        if row.source == "chance_cross":
            assert plain.fresh(t, row.direction)
            assert setup.ride == (of.exit_style == "ride")


def test_there_is_something_to_compare() -> None:
    found = [trade for name in LONG_ENOUGH for trade in both(name)[1].trades]
    assert len(found) > 80
    assert {trade.story.state for trade in found} >= {"stopped", "left", "left_on_pressure", "spoiled"}
    assert sum(not trade.failing for trade in found) > 8
