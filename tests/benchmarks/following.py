"""The cost of following setups: a long replay, and one close of many series with a position open in each."""

from __future__ import annotations

from decimal import Decimal
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.parquet

from scanner.analysis.pool import FEW
from scanner.analysis.rules import Rules
from scanner.cycles import no_search_for_cycles
from scanner.engine.series_engine import SeriesEngine
from scanner.engine.together import push_together
from scanner.follow.follower import Follower
from scanner.follow.found import Found
from scanner.follow.stories import NO_RECORDS
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.replays.recordings import Reading, begun, recordings
from scanner.replays.replay import Tally, replay
from scanner.trade.rulebook import Rulebook
from tests.benchmarks.commands import frame
from tests.benchmarks.measures import best
from tests.benchmarks.walk import random_walk
from tests.follow.hand_tapes import Spoiler, record_of
from tests.laws import timetable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.events import Event
    from tests.benchmarks.measures import Measures

BARS = 10_000_000
OPEN_STORIES = 5_000
MORE_AT_MOST = 1 + 1 / 3
FAR = Decimal(500)
"""A stop that no bar reaches."""


class OnlyFinding(SeriesEngine):
    """An engine that follows nothing."""

    __slots__ = ()

    def follow(
        self,
        found: Sequence[Found] = (),  # noqa: ARG002 - the method that it replaces needs them
        records: NDArray[Any] = NO_RECORDS,  # noqa: ARG002 - as above
        standing: Sequence[tuple[int, int]] = (),  # noqa: ARG002 - as above
    ) -> list[tuple[int, Event]]:
        return []


def replay_all(path: Path, kind: type[SeriesEngine], *, tells_stories: bool = False) -> None:
    """Replay a file as the command does, without the report."""
    reading, tally = Reading(), Tally("", "")
    with no_search_for_cycles():  # as the command does
        (recording,) = recordings([path], reading)
        inputs, chunks = begun(reading, recording, tally)
        pipeline = inputs.pipeline()
        for lane in pipeline.lanes:
            lane.engine.__class__ = kind
        for _ in replay(pipeline, chunks, tally, lambda _: None, lambda _: None, tells_stories=tells_stories):
            pass


def time_following(measures: Measures, scale: int) -> None:
    """Measure both."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "bars.parquet"
        pyarrow.parquet.write_table(frame(BARS // scale), path)
        follows, finds = (best(partial(replay_all, path, kind)) for kind in (SeriesEngine, OnlyFinding))
        tells = best(partial(replay_all, path, SeriesEngine, tells_stories=True))
    what = f"a replay of {BARS // scale:,} bars of Parquet that follows, against one that only finds"
    measures.add(what, follows / finds, "{:.2f} x", most=MORE_AT_MOST)
    measures.add("    with every event of each story, as --events has them", tells / finds, "{:.2f} x")

    instrument = Instrument("PETREL", PriceSteps.fixed(Decimal("0.01")))
    number = OPEN_STORIES // scale
    patient = Rulebook(Rules(gap_limit=1e6))
    with_stories, without = (time_close(instrument, patient, number, stories=stories) for stories in (True, False))
    taken = 1e3 * (with_stories - without)
    measures.add(f"a close with {number:,} open stories, more than without", taken, "{:.0f} ms", most=50 / scale)


def time_close(instrument: Instrument, rulebook: Rulebook, number: int, *, stories: bool) -> float:
    """Give the seconds for a close of many series, with or without a position open in each."""
    pool = rulebook.pool(timetable("1m"), FEW)
    pool.reserve(number)
    engines = [SeriesEngine(instrument, timetable("1m"), rulebook, pool=pool) for _ in range(number)]
    bars = random_walk(300 + FEW)
    push_together(engines, [bars[:300]] * number)
    closes = [bars[300 + close : 301 + close] for close in range(6)]
    for engine in engines:
        engine.follower = None
        if stories:
            engine.follower = Follower(engine.series, instrument, rulebook, engine.timetable)
            found = never_left(float(bars.close[299]))
            engine.follower.begin([found], record_of(engine.series, found, Spoiler()))
    push_together(engines, [closes[0]] * number)
    opened = sum(len(engine.under_way()) for engine in engines)
    if opened != number * stories:
        raise RuntimeError(f"{opened} stories are open, and not {number * stories}")
    taken = [best(lambda: push_together(engines, [bar] * number), 1) for bar in closes[1:]]  # noqa: B023 - at once
    return float(np.min(taken))


def never_left(close: float) -> Found:
    """Make a setup that is entered at once and stays open for long."""
    entry = Decimal(str(close)) - 5
    return Found("thread", "", "", 1, False, 0, "", close, entry, entry - FAR, None, True, "")  # noqa: FBT003 - a table
