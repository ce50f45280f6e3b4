"""Whatever timeframes, base, sessions and splits an instrument gets, at a reload or a start, it goes on."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from scanner.market.aggregate import Aggregator
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import timetable_of
from scanner.market.splits import Adjustment
from scanner.service.changes.change_list import change_list, revive
from scanner.service.desk import Desk
from scanner.service.resuming import windows_of
from scanner.service.together.usual import Arrival
from scanner.store import Store
from tests.effort import EFFORT
from tests.laws import QUARTER_HOUR, bars_of
from tests.outside.random_tapes import tape
from tests.service.one_desk import ACCOUNT, START, raw, take, watched
from tests.service.story_grammar import faults

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.configuration.model.settings import Watched
    from scanner.market.bars import Bars

TIMEFRAMES = ("15m", "30m", "1h", "2h", "4h")
CALENDARS = (("24/7", "UTC"), ("24/7", "Europe/Berlin"), ("none", "America/New_York"), ("24/5", "UTC"))
FINEST = bars_of(tape(3), START // (16 * QUARTER_HOUR) * (16 * QUARTER_HOUR))

SPLITS = (Adjustment(int(FINEST.open_time[400]), Fraction(2)),)


@cache
def sent(base: str) -> Bars:
    """Give the bars as the feed has them on a timeframe."""
    if base == TIMEFRAMES[0]:
        return FINEST
    timetable = timetable_of(calendar_named("24/7"), Timeframe.named(base))
    return Aggregator(Timeframe.named(TIMEFRAMES[0]), timetable).push(FINEST)


@st.composite
def lists(draw: st.DrawFn) -> Watched:
    chosen = sorted(draw(st.sets(st.sampled_from(TIMEFRAMES), min_size=1, max_size=3)), key=TIMEFRAMES.index)
    base = draw(st.sampled_from(TIMEFRAMES[: TIMEFRAMES.index(chosen[0]) + 1]))
    calendar = calendar_named(*draw(st.sampled_from(CALENDARS)))
    splits = draw(st.sampled_from([(), (), SPLITS]))
    return replace(watched(*chosen), base=Timeframe.named(base), calendar=calendar, adjustments=splits)


STEPS = st.tuples(lists(), st.booleans(), st.integers(50, 250), st.integers(1, 200))
"""The list, whether by a reload, how many bars pass, and after how many the first answer is cut."""


def listed(base: str, timeframe: str, zone: str = "UTC", splits: Sequence[Adjustment] = ()) -> Watched:
    calendar = calendar_named("24/7", zone)
    return replace(watched(timeframe), base=Timeframe.named(base), calendar=calendar, adjustments=tuple(splits))


HELD_AND_OTHER_SESSIONS = [
    (listed("15m", "15m"), False, 200, 1),
    (listed("15m", "2h", splits=SPLITS), False, 50, 1),
    (listed("30m", "2h", "Europe/Berlin"), False, 50, 1),
]
"""A split that the prices do not have holds the series; then none of its bars fits the sessions."""


def started(store: Store, each: Watched) -> Desk:
    desk = Desk([each], ACCOUNT, store, route=lambda _: (), stale_after=10**9, record=False)
    revive(desk, desk.load())
    return desk


@settings(max_examples=6 * EFFORT)
@example(HELD_AND_OTHER_SESSIONS)
@given(st.lists(STEPS, min_size=2, max_size=5))
def test_an_instrument_goes_on_by_any_other_list(steps: list[tuple[Watched, bool, int, int]]) -> None:
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "kept.db", lambda: 0) as store:
        desk, passed = None, 200
        for each, is_reload, bars, cut in steps:
            if desk is not None and is_reload:
                change_list(desk, [each], ACCOUNT)
            else:
                desk = started(store, each)
            passed, since = min(passed + bars, len(FINEST)), desk.since("GANNET")
            now, feed = int(FINEST.close_time[passed - 1]), sent(each.base.name)
            answer = feed[(feed.close_time <= now) & (feed.open_time >= (since or 0))]
            for part in (answer[:cut], answer[cut:]):
                if len(part):
                    desk.take([Arrival("GANNET", raw(part), since=desk.since("GANNET"))], now)
        assert faults([kept.event for kept in store.events.find()]) == []
        for stored in store.bars.load(store.bars.keys):
            assert (np.diff(stored.bars.close_time) > 0).all()


@pytest.mark.parametrize("is_reload", [True, False])
def test_with_a_finer_base_the_coarser_bars_go_on_from_those_stored(is_reload: bool) -> None:
    """It comes to the same as without the change, although the feed has no finer bars of the time before."""
    hours, quarters, middle = listed("1h", "1h"), listed("15m", "1h"), int(sent("1h").close_time[100])
    states = []
    for after in (hours, quarters):
        with TemporaryDirectory() as folder, Store.open(Path(folder) / "kept.db", lambda: 0) as store:
            desk = started(store, hours)
            before, later = sent("1h"), sent(after.base.name)
            take(desk, before[before.close_time <= middle])
            if is_reload:
                change_list(desk, [after], ACCOUNT)
            else:
                desk = started(store, after)
            take(desk, later[later.open_time >= middle])
            states.append(windows_of(desk.pipelines["GANNET"].lanes[-1].engine))
    assert states[0] == states[1]
