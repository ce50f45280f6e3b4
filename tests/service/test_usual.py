"""Usual answers are recognized, and taken in together with the same result as one by one."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scanner.configuration.model.settings import Watched
from scanner.market.bars import Bars, RawBars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.market.splits import Adjustment
from scanner.service.desk import Desk
from scanner.service.together.usual import Answers, Arrival, Usual, usual_answers
from scanner.store import Store
from tests.effort import EFFORT
from tests.laws import all_setups, bars_of
from tests.outside.random_tapes import step_of, tape
from tests.service.one_desk import ACCOUNT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.market.bars import Bar
    from scanner.store.recordings import Arrived

TIMETABLES = [Timetable(calendar_named(name), Timeframe.named("15m")) for name in ("none", "24/7", "XNYS")]
MARCH, MAY = 1_772_323_200_000_000_000, 1_777_593_600_000_000_000
SPANS = TIMETABLES[2].closes_between(MARCH, MAY)
"""The bars of two months in New York, with summer time begun between them."""
SECOND = 1_000_000_000


def bars_from(first: int, count: int) -> Bars:
    prices = 100 + np.arange(first, first + count, dtype=np.float64)
    part = slice(first, first + count)
    return Bars(SPANS[0][part], SPANS[1][part], prices, prices + 2, prices - 2, prices + 1, np.full(count, np.nan))


def sent(bars: Bars, kind: str = "open") -> RawBars:
    stamps = bars.close_time if kind == "close" else bars.open_time
    rows = np.arange(len(bars))
    raw = RawBars(stamps, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, "tape")
    return replace(raw, stamp_kind=kind)  # type: ignore[arg-type]  # one of the three


def told(raw: RawBars, last: Bar, which: Timetable, now: int) -> Usual:
    rows = Answers.of([Arrival("GANNET", raw)])
    times, prices = np.array([last[:2]]), np.array([last[2:]])
    phase = np.array([last.open_time % which.longest_phase])
    return usual_answers(rows, times, prices, which, phase, np.array([now]))


@given(
    first=st.integers(0, 500),
    skipped=st.integers(0, 2),
    count=st.integers(1, 4),
    late=st.integers(-900, 3_000),
    kind=st.sampled_from(["open", "close"]),
    changed=st.sampled_from([None, None, "open", "high", "low", "close", "volume"]),
    which=st.sampled_from(TIMETABLES),
)
def test_usual_answers_give_what_a_close_look_would_give(
    first: int, skipped: int, count: int, late: int, kind: str, changed: str | None, which: Timetable
) -> None:
    last, answered = bars_from(first, 1).last(), bars_from(first + skipped, count)
    assert last is not None
    if changed is not None:
        answered = replace(answered, **{changed: getattr(answered, changed).copy()})
        getattr(answered, changed)[0] = 99.5
    now = last.close_time + late * SECOND
    given_ = told(sent(answered, kind), last, which, now)
    if not given_.usual[0]:
        return
    assert skipped < 2
    assert changed is None or skipped
    stays = int(np.sum(answered.close_time <= now)) if late >= 0 else 1 - skipped
    assert given_.closed[0] == stays
    if given_.new[0] >= 0:
        assert given_.new[0] == 1 - skipped
        assert given_.closes[0] == answered.close_time[1 - skipped] <= now
    else:
        assert stays == 1 - skipped


def test_the_answers_that_come_by_the_thousand_are_usual() -> None:
    last, now = bars_from(40, 1).last(), int(SPANS[1][41])
    assert last is not None
    for which in TIMETABLES:
        for count, new in ((1, False), (2, True), (3, True)):
            answer = told(sent(bars_from(40, count)), last, which, now)
            assert answer.usual[0]
            assert (answer.new[0] >= 0) == new
    over_night = int(np.flatnonzero(np.diff(SPANS[1]) > 900_000_000_000)[0])
    closes = int(SPANS[1][over_night + 1])
    last, answered = bars_from(over_night, 1).last(), sent(bars_from(over_night, 2))
    assert last is not None
    taken = [told(answered, last, which, closes) for which in TIMETABLES]
    assert [bool(answer.usual[0]) for answer in taken] == [False, False, True]


NAMES = ("GANNET", "FULMAR", "PETREL", "AUK")
SEEDS = (7, 11, 2, 5)
SPREAD = {"GANNET": ("15m",), "FULMAR": ("15m", "1h"), "PETREL": ("1h",), "AUK": ("15m",)}
START = 1_700_000_100 * SECOND // (900 * SECOND) * 900 * SECOND
TAPES = {name: bars_of(tape(seed), START) for name, seed in zip(NAMES, SEEDS, strict=True)}
KNOWN = 300
SPLITS = tuple(
    Adjustment(int(TAPES["AUK"].open_time[bar]), ratio) for bar, ratio in ((250, Fraction(2)), (420, Fraction(1, 2)))
)
ODD = ("restated", "missing", "twice", "idle", "bad", "no volume", "volume ends", "jump", "double", "open", "alone")
CHANGES: tuple[str | None, ...] = (*[None] * 5, *ODD)


def watched(name: str, seed: int, calendar: str) -> Watched:
    return Watched(
        Instrument(name, PriceSteps.fixed(step_of(seed)), currency="EUR", calendar=calendar),
        symbol=name,
        feed="tape",
        group="",
        calendar=calendar_named(calendar),
        base=Timeframe.named("15m"),
        timeframes=tuple(Timeframe.named(each) for each in SPREAD[name]),
        rulebook=all_setups(),
        adjustments=SPLITS if name in {"GANNET", "FULMAR"} else (),
        dates=None,
    )


def answer_of(bars: Bars, change: str | None) -> RawBars:
    """Give an answer that begins with the last known bar, changed somehow."""
    prices, volume = np.array([bars.open, bars.high, bars.low, bars.close]), bars.volume.copy()
    places = np.arange(len(bars))
    keep = {"missing": places[places != 1], "twice": np.repeat(places, 2), "alone": places[1:]}.get(str(change), places)
    if change == "restated":
        prices[3, 0] = prices[2, 0]
    elif change == "bad":
        prices[1, -1] = prices[2, -1] - 1
    elif change == "jump":
        prices[:, -1] += 10_000
    elif change == "idle":
        prices[:, -1], volume[-1] = prices[3, -2], 0
    elif change in {"no volume", "volume ends"}:
        volume[-1] = np.nan
    elif change == "double":
        prices[:, -1] *= 2
    made = sent(Bars(bars.open_time, bars.close_time, *np.vstack([prices, volume])))[keep]
    return replace(made, unreadable={int(made.row[-1]): "volume ?"}) if change == "no volume" else made


def shared(answers: dict[str, RawBars], asked: int) -> list[Arrival]:
    """Put fully readable answers into one table, as feeds do."""
    whole = {name: raw for name, raw in answers.items() if not raw.unreadable}
    rows, begin = Answers.of([Arrival(name, raw) for name, raw in whole.items()]) if whole else None, 0
    arrivals = [Arrival(name, raw, asked) for name, raw in answers.items() if raw.unreadable]
    for name, raw in whole.items():
        assert rows is not None
        arrivals.append(Arrival(name, rows.raw, asked, shared=slice(begin, begin + len(raw))))
        begin += len(raw)
    return arrivals


def kept(store: Store) -> list[object]:
    with store.database.reading() as connection:
        tables = {
            name: connection.execute(f"SELECT {columns} FROM {name} ORDER BY {order}").fetchall()  # noqa: S608 - our words
            for name, columns, order in (
                ("series", "instrument, timeframe, last_close, bars, state", "instrument, timeframe"),
                ("event", "id, kind, time, subject, thread, data, sinks", "id"),
                ("restated", "open_time, open, close", "open_time, open"),
            )
        }
    bars = [
        [column.view(np.int64).tolist() for column in each.bars.columns()]
        for each in sorted(store.bars.load(store.bars.keys), key=lambda each: each.key)
    ]
    rows = sorted(
        (each.series, tuple(each.raw.stamp.tolist()), tuple(each.raw.close.view(np.int64).tolist()))
        for part in _recorded(store)
        for each in part
    )
    return [tables, bars, rows]


def _recorded(store: Store) -> list[list[Arrived]]:
    with store.database.reading() as connection:
        return list(store.recordings.all(connection))


STEPS = st.lists(
    st.tuples(
        st.lists(st.sampled_from(CHANGES), min_size=len(NAMES), max_size=len(NAMES)),
        st.integers(1, 2),
        st.booleans(),
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=3 * EFFORT, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(calendar=st.sampled_from(["24/7", "none"]), at=st.integers(KNOWN, 500), steps=STEPS)
def test_answers_taken_together_give_the_same_as_one_by_one(
    calendar: str, at: int, steps: Sequence[tuple[Sequence[str | None], int, bool]]
) -> None:
    """Bars, states, events, recorded rows and notes are the same, whatever feeds send in between."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory()))
        now = [0]
        stores = [stack.enter_context(Store.open(folder / name, lambda: now[0])) for name in ("one.db", "other.db")]
        listed = [watched(name, seed, calendar) for name, seed in zip(NAMES, SEEDS, strict=True)]
        desks = [
            Desk(listed, ACCOUNT, store, route=lambda _: ("screen",), stale_after=3, record=True, closely=closely)
            for store, closely in zip(stores, (False, True), strict=True)
        ]
        now[0] = int(TAPES["AUK"].close_time[at - 1])
        for each in desks:
            each.load()
            for _ in range(1 + len(SPLITS)):
                each.take([Arrival(name, sent(bars[:at])) for name, bars in TAPES.items()], now[0])
        for changes, more, again in steps:
            at += more
            now[0] = int(TAPES["AUK"].close_time[at - 1]) + SECOND
            answers = {
                name: answer_of(bars[at - more - 1 : at + (change == "open")], change)
                for (name, bars), change in zip(TAPES.items(), changes, strict=True)
            }
            took = [each.take(shared(answers, now[0]), now[0]) for each in desks]
            assert sorted(map(str, took[0].notes)) == sorted(map(str, took[1].notes))
            for name in ("bars", "refused", "useless", "doubtful", "look_again", "restated"):
                assert getattr(took[0], name) == getattr(took[1], name)
            if again:  # as after a restart
                for each in desks:
                    assert not each.load()
            assert {name: desks[0].since(name) for name in NAMES} == {name: desks[1].since(name) for name in NAMES}
        assert kept(stores[0]) == kept(stores[1])
