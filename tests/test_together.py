"""Many series together give the events that each gives alone, and a finer one sees only finished coarser bars."""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.analysis.pool import FEW
from scanner.configuration.model import settings as configuration
from scanner.market.bars import Bars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.pipeline import Inputs, Pipeline, Pools, run_together
from scanner.trade.size import Account
from tests.demo_setups import FOLDER, with_every_setup
from tests.effort import EFFORT
from tests.laws import bars_of, told_ahead
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from scanner.events import Event

SEEDS = st.integers(0, 10_000)
BASE, COARSE = "15m", ("1h", "4h")
STARTS_OF_HOURS = 1_699_999_200 * 1_000_000_000
RULEBOOK = told_ahead()


def pipeline(name: str, pools: Pools | None = None) -> Pipeline:
    """Follow an invented instrument on three timeframes, all bars round the clock."""
    timeframes = tuple(Timeframe.named(each) for each in (BASE, *COARSE))
    instrument = Instrument(name, PriceSteps.fixed(Decimal("0.01")))
    calendar = calendar_named("24/7", "UTC")
    return Inputs(instrument, calendar, timeframes[0], timeframes, RULEBOOK, Account()).pipeline(pools)


def gappy(seed: int) -> Bars:
    """Give invented bars of a quarter of an hour, some of which are missing, and half of them with a split of 2:1."""
    bars, rng = bars_of(tape(seed), STARTS_OF_HOURS), np.random.default_rng(seed)
    kept = np.flatnonzero(rng.random(len(bars)) > 0.03)
    bars = Bars(*(column[kept] for column in bars.columns()))
    above, ratio = 1_000.0 - min(0.0, float(bars.low.min())), np.ones(len(kept))
    if seed % 2:
        ratio[int(rng.integers(300, len(kept))) :] = 0.5
    first, high, low, last = (np.round((price + above) * ratio, 2) for price in bars.columns()[2:6])
    return Bars(bars.open_time, bars.close_time, first, high, low, last, bars.volume)


def by_timeframe(events: list[Event]) -> dict[str, list[str]]:
    """Sort what was said by its timeframe: each says its own in order of time."""
    said = defaultdict(list)
    for event in events:
        said[event.data["timeframe"]].append(event.to_json())
    return said


@settings(max_examples=3 * EFFORT)
@given(st.lists(SEEDS, min_size=2, max_size=4, unique=True), st.integers(0, 1_000_000))
def test_series_taken_in_together_say_what_each_says_alone(seeds: list[int], cuts: int) -> None:
    rng, pools = np.random.default_rng(cuts), Pools()
    pipelines, bars = [pipeline(f"G{seed}", pools) for seed in seeds], [gappy(seed) for seed in seeds]
    said: list[list[Event]] = [[] for _ in seeds]
    done = [0] * len(seeds)
    while any(begin < len(own) for begin, own in zip(done, bars, strict=True)):
        ends = [begin + int(rng.integers(0, 90)) for begin in done]
        parts = [own[begin:end] for own, begin, end in zip(bars, done, ends, strict=True)]
        for number, run in enumerate(
            run_together([each.made(own) for each, own in zip(pipelines, parts, strict=True)])
        ):
            said[number] += [event for event, _ in run.said]
        done = [min(end, len(own)) for end, own in zip(ends, bars, strict=True)]
    for seed, own, together in zip(seeds, bars, said, strict=True):
        assert by_timeframe(together) == by_timeframe(list(pipeline(f"G{seed}").events(own)))
    assert any(event.facts.follows for own in said for event in own)


def lean_by_pandas(bars: Bars, coarse: str, moment: int) -> float | None:
    """Work out how the last coarser bar leans that the bars up to a moment complete, the slow way."""
    length = Timeframe.named(coarse).nanoseconds
    known = bars.close_time <= moment
    begins = bars.open_time[known] // length * length
    closes = pd.Series(bars.close[known]).groupby(begins).last()
    closes = closes[closes.index + length <= moment]
    if bars.open_time[0] != begins[0]:
        closes = closes[1:]  # its beginning was not seen
    if len(closes) < 60:
        return None
    averages = closes.rolling(50).mean()
    above, risen = closes.iloc[-1] - averages.iloc[-1], averages.iloc[-1] - averages.iloc[-11]
    tie = 1e-9
    return 1.0 if above > tie and risen > tie else -1.0 if above < -tie and risen < -tie else 0.0


@settings(max_examples=3 * EFFORT)
@given(SEEDS)
def test_the_coarser_timeframe_is_judged_by_the_last_bar_that_is_complete_by_then(seed: int) -> None:
    bars = gappy(2 * seed)  # without a split, after which a coarser series begins again
    words = {1.0: "agrees", -1.0: "disagrees", 0.0: "is mixed"}
    for event in pipeline("GANNET").events(bars):
        data = event.data
        if "surroundings" not in data or data["timeframe"] == COARSE[-1]:
            continue
        coarse = COARSE[0] if data["timeframe"] == BASE else COARSE[1]
        lean = lean_by_pandas(bars, coarse, event.time)
        found = data["surroundings"]["coarser"]
        if lean is None:
            assert found["measured"] is None
        else:
            signed = lean * (1 if data["direction"] == "long" else -1)
            assert found["measured"] == signed
            assert words[signed] in found["text"]
            assert found["verdict"] == (signed >= 0)


def test_windows_of_any_length_say_the_same_of_a_bad_tick_that_has_left_them() -> None:
    """DRIFTLOOM has a suspected bad tick, and later levels that are looked for among fewer bars than lie between."""
    known = configuration.load(FOLDER.parent / "config" / "demo.toml", {})
    watched = known.of("DRIFTLOOM")
    bars = with_every_setup("DRIFTLOOM").bars
    said = []
    for pools in (None, Pools(FEW)):
        (run,) = run_together([watched.inputs(known.account).pipeline(pools).made(bars)])
        said.append(sorted(event.to_json() for event, _ in run.said))
    assert len(said[0]) > 1_000
    assert said[0] == said[1]
