"""Surroundings: each verdict just inside and just outside its threshold, for both sides."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from pydantic import ValidationError

from scanner.analysis.columns import CLOSE, FAST_AVERAGE, SLOW_AVERAGE, VOLUME
from scanner.analysis.trend import lean
from scanner.market.costs import Cost, Costs
from scanner.market.sessions.dates import Dated
from scanner.trade import surroundings
from scanner.trade.surroundings import NAMES, Surroundings, why_set_aside
from tests.trade.scenes import HOURLY, KITE, LAST, TIMES, T, at, bars_until, mirrored, scene, timetable, window

if TYPE_CHECKING:
    from scanner.event_data import Measure
    from scanner.trade.surroundings import Scene

D = Decimal
HOUR = 3_600 * 10**9
DAY = date(2026, 6, 2)
CLOSED = int(TIMES[1, T])
SIDES = pytest.mark.parametrize("sign", [1, -1], ids=["long", "short"])


def judge(given: Scene, wanted: Surroundings) -> dict[str, Measure]:
    return surroundings.judge(given, wanted).told(0)


def daily_turnover(given: Scene, wanted: Surroundings) -> Decimal | None:
    return surroundings.judge(given, wanted).daily_turnover(0)


def judged(name: str, given: Scene, **numbers: Any) -> Measure:  # noqa: ANN401 - any value of a setting
    return judge(given, Surroundings(**numbers))[name]


def with_average(column: int, earlier: float, now: float) -> np.ndarray:
    """Make a window in which an average has one value ten bars before t and another at t."""
    series = window()
    series[column, [T - 10, T]] = earlier, now
    return series


@SIDES
def test_in_an_ordinary_scene_everything_holds_in_order(sign: int) -> None:
    measures = judge(scene(sign), Surroundings())
    assert tuple(measures) == NAMES
    assert all(measure["verdict"] for measure in measures.values())
    assert why_set_aside(measures, NAMES) == ""
    assert str(measures["coarser"]["measured"]) == "0.0"
    assert str(judged("room", scene(sign, obstacle=D("103.01")))["measured"]) == "0.0"


@SIDES
@pytest.mark.parametrize(
    ("slow", "found"),
    [
        ((100.0, 102.79), 1),
        ((100.0, 102.8), 0),  # the close is on the average
        ((102.79, 102.79), 0),  # which has not moved
        ((102.81, 102.81), 0),
        ((102.82, 102.81), -1),
        ((102.82, 102.8), 0),
        ((102.8, 102.81), 0),
        ((np.nan, 102.0), 0),
    ],
)
def test_trend(sign: int, slow: tuple[float, float], found: int) -> None:
    measure = judged("trend", scene(sign, with_average(SLOW_AVERAGE, *slow)))
    assert (measure["measured"], measure["verdict"]) == (found, found >= 0)


@pytest.mark.parametrize(
    ("fast", "found"),
    [
        ((100.0, 102.79), 1.0),
        ((102.79, 102.79), 0.0),
        ((100.0, 102.8), 0.0),
        ((102.82, 102.81), -1.0),
        ((np.nan, 102.0), np.nan),
    ],
)
def test_where_a_coarser_series_leans(fast: tuple[float, float], found: float) -> None:
    series = with_average(FAST_AVERAGE, *fast)
    np.testing.assert_equal(lean(series, T, 10), found)
    np.testing.assert_equal(lean(mirrored(series), T, 10), 0.0 - found)
    assert np.isnan(lean(series, 9, 10))


@SIDES
def test_coarser(sign: int) -> None:
    found = [judged("coarser", scene(sign, lean=sign * side)) for side in (1.0, 0.0, -1.0)]
    assert [each["verdict"] for each in found] == [True, True, False]
    assert [each["measured"] for each in found] == [1.0, 0.0, -1.0]
    assert [each["text"].split()[4] for each in found] == ["agrees,", "is", "disagrees,"]


@pytest.mark.parametrize(
    ("ratio", "word", "holds"),
    [(0.8499, "quiet", True), (0.85, "usual", True), (1.15, "usual", True), (1.1501, "loud", False)],
)
def test_volatility(ratio: float, word: str, holds: bool) -> None:
    measure = judged("volatility", scene(volatility=ratio))
    assert (measure["verdict"], measure["text"].split(":")[0]) == (holds, word)


@SIDES
@pytest.mark.parametrize(
    ("name", "inside", "outside"),
    [
        # R is 2.21, ATR 2.00.
        ("room", {"obstacle": D("105.22")}, {"obstacle": D("105.21")}),
        ("risk_size", {"risk": D("4.00")}, {"risk": D("4.01")}),
        ("liquid", {"risk": D("0.20")}, {"risk": D("0.19")}),
        ("gap", {"open": 102.30}, {"open": 102.31}),
        ("gap", {"open": 100.30}, {"open": 100.29}),
        ("liquid", {"doji": 0.05}, {"doji": 0.04}),
        ("cost", {"spread": "0.221"}, {"spread": "0.2211"}),
    ],
)
def test_prices_just_inside_and_just_outside(
    sign: int, name: str, inside: dict[str, Any], outside: dict[str, Any]
) -> None:
    for changes, holds in ((inside, True), (outside, False)):
        last, given = list(LAST), dict(changes)
        if "open" in given:
            price = given.pop("open")
            last[1] = (price, max(price, 101.80), min(price, 100.90), 101.40)
        if "doji" in given:
            last[1] = (101.40, 101.40 + given.pop("doji"), 101.40, 101.40)
        made = scene(sign)
        if "spread" in given:
            costs = Costs(spread=Cost.of(given.pop("spread")))
            made = scene(sign, instrument=replace(KITE, costs=costs))
        else:
            made = scene(sign, window(last), **given)
        assert judged(name, made)["verdict"] is holds


@SIDES
@pytest.mark.parametrize(
    ("bar", "opening", "holds"),
    [
        # The closes before are 100.00, 101.30 and 101.40; 0.05 ATR are 0.10. Only the openings within the setup count.
        (0, 99.90, True),
        (0, 95.00, True),
        (1, 101.40, True),
        (1, 101.41, False),
        (2, 101.50, True),
        (2, 101.51, False),
        (2, 101.29, False),
    ],
)
def test_the_gaps_that_count_are_those_within_the_setup(sign: int, bar: int, opening: float, holds: bool) -> None:
    last = list(LAST)
    _, high, low, close = last[bar]
    last[bar] = (opening, high, min(low, opening), close)
    assert judged("gap", scene(sign, window(last)), pause_gap=0.05)["verdict"] is holds


def test_the_measured_values_are_those_computed_by_hand() -> None:
    costs = Costs(Cost(D("0.02")), Cost(D("0.05"), "%"), None)
    measures = judge(scene(obstacle=D("107.43"), instrument=replace(KITE, costs=costs)), Surroundings())
    assert measures["room"]["measured"] == 2.0
    # 0.02 + 2 × 0.05 % of 103.01 = 0.12301, of R 2.21
    assert measures["cost"]["measured"] == pytest.approx(0.12301 / 2.21, rel=1e-7)
    assert measures["cost"]["text"] == "spread and commission of both ways in R"
    assert measures["risk_size"]["measured"] == 1.105
    assert measures["gap"]["measured"] == pytest.approx(0.025)
    assert measures["liquid"]["text"] == (
        "smallest bar's range in steps 90, wanted >= 5; R in steps 221, wanted >= 20; "
        "bars of the last 20 that are missing or without volume"
    )


@pytest.mark.parametrize(
    ("without", "silent", "count"),
    [
        ((), (), 0),
        ((5,), (), 1),
        ((5,), (9,), 2),
        ((), (0, 19), 2),
        ((5, 12), (), 2),
        ((19,), (), 1),
        ((20, 21, 22), (), 0),  # long ago
        ((), (20,), 0),
        ((3,), (18, 19), 2),  # the bar 19 places back in the window is 20 places back in the timetable
        (tuple(range(1, 19)), (), 18),
    ],
)
def test_of_the_last_20_bars_one_may_be_missing_or_without_volume(
    without: tuple[int, ...], silent: tuple[int, ...], count: int
) -> None:
    series = window()
    series[VOLUME, [T - back for back in silent]] = 0
    measure = judged("liquid", scene(series=series, times=bars_until(HOURLY, "2026-06-10T17:30", without)))
    assert (measure["measured"], measure["verdict"]) == (count, count <= 1)


def test_a_feed_without_volume_is_judged_by_its_missing_bars_and_one_without_sessions_by_its_volume() -> None:
    unknown = timetable("1h", "none")
    gap = bars_until(HOURLY, "2026-06-10T17:30", (5, 6))
    for volume in (0.0, np.nan):
        measure = judged("liquid", scene(series=window(volume=volume), times=gap))
        assert (measure["measured"], measure["verdict"]) == (2, False)
        assert measure["text"] == "bars of the last 20 that are missing"
        neither = judged("liquid", scene(series=window(volume=volume), times=gap, timetable=unknown))
        assert neither["verdict"]
        assert neither["text"].startswith("not judged: the feed has no volume, and a missing bar cannot be noticed")
    some = window()
    some[VOLUME, [T - 3, T - 4]] = np.nan
    assert judged("liquid", scene(series=some, times=gap, timetable=unknown))["measured"] == 2


def test_bars_before_the_first_are_not_missing() -> None:
    assert judged("liquid", scene(begin=T - 4))["measured"] == 0


def test_turnover() -> None:
    series = window()
    series[VOLUME, T - 19 : T + 1] = np.arange(1, 21)
    series[CLOSE, T - 19 : T + 1] = 10.0
    given: dict[str, Any] = {"series": series, "instrument": replace(KITE, point_value=D(50))}
    made = scene(**given)
    # Median volume 10.5, times 10, times 50.
    assert judged("liquid", made, min_turnover=5_250)["verdict"]
    assert not judged("liquid", made, min_turnover=5_250.01)["verdict"]
    assert daily_turnover(made, Surroundings()) == 7 * 5_250
    assert daily_turnover(scene(**given, timetable=timetable("1h", "none")), Surroundings()) is None
    assert daily_turnover(scene(**given, timetable=timetable("1d", "none")), Surroundings()) == 5_250
    assert daily_turnover(scene(**given, begin=T - 18), Surroundings()) is None
    silent = scene(series=window(volume=np.nan))
    assert daily_turnover(silent, Surroundings()) is None
    assert judged("liquid", silent, min_turnover=1e9)["verdict"]


@pytest.mark.parametrize(
    ("last_open", "skip", "holds"),
    [
        ("2026-06-10T17:30", {}, True),  # bars 3 to 5 of 7: two before, two after
        ("2026-06-10T18:30", {}, False),
        ("2026-06-10T16:30", {}, False),
        ("2026-06-10T18:30", {"skip_close": 1}, True),
        ("2026-06-10T16:30", {"skip_open": 1}, True),
        ("2026-06-10T15:30", {"skip_open": 0, "skip_close": 0}, True),  # the first three
        ("2026-06-10T19:30", {"skip_open": 0, "skip_close": 0}, True),  # the last three
        ("2026-06-10T14:30", {"skip_open": 0, "skip_close": 0}, False),  # a night within
        ("2026-11-27T17:30", {"skip_open": 1, "skip_close": 0}, True),  # a half day of four bars
        ("2026-11-27T17:30", {"skip_open": 1, "skip_close": 1}, False),
    ],
)
def test_hours(last_open: str, skip: dict[str, int], holds: bool) -> None:
    assert judged("hours", scene(times=bars_until(HOURLY, last_open)), **skip)["verdict"] is holds


def test_a_lunch_break_is_within_a_session() -> None:
    tokyo = timetable("30m", "XTKS")
    # 09:00 to 11:30 and 12:30 to 15:30 in Tokyo: bars 5, 6 and 7 of 11.
    assert judged("hours", scene(timetable=tokyo, times=bars_until(tokyo, "2026-06-02T04:00")))["verdict"]


@pytest.mark.parametrize(
    ("away", "holds"), [(2 * HOUR, False), (2 * HOUR + 1, True), (-2 * HOUR, False), (-2 * HOUR - 1, True), (0, False)]
)
def test_dates_below_a_day(away: int, holds: bool) -> None:
    rates = Dated(CLOSED + away, CLOSED + away, "all", "rates", DAY)
    far = Dated(CLOSED + 50 * HOUR, CLOSED + 50 * HOUR, "all", "another", DAY)
    measure = judged("dates", scene(dates=(far, rates)))
    assert measure["verdict"] is holds
    assert measure["text"].endswith("the nearest date: rates")
    assert measure["measured"] == pytest.approx(abs(away) / HOUR)


@pytest.mark.parametrize(
    ("day", "holds", "side"),
    [
        ("2026-06-20", False, "to"),
        ("2026-06-21", True, "to"),
        ("2026-06-10", False, "from"),
        ("2026-05-31", False, "since"),
        ("2026-05-30", True, "since"),
    ],
)
def test_dates_of_daily_bars(day: str, holds: bool, side: str) -> None:
    daily = timetable("1d")
    report = Dated(at(day), at(day) + 24 * HOUR, "KITE", "report", DAY)
    measure = judged("dates", scene(timetable=daily, times=bars_until(daily, "2026-06-10T13:30"), dates=(report,)))
    assert measure["verdict"] is holds
    assert measure["text"] == f"days {side} the nearest date: report"


def test_what_cannot_be_judged_says_so_and_holds() -> None:
    blank = np.full_like(window(), np.nan)
    blank[:4] = window()[:4]
    none: dict[str, Any] = {"entry": None, "risk": None, "coarser": "", "lean": None, "dates": None}
    free = replace(KITE, costs=Costs())
    made = scene(series=blank, volatility=np.nan, timetable=timetable("1h", "none"), bars=1, instrument=free, **none)
    measures = judge(made, Surroundings())
    assert all(measure["verdict"] for measure in measures.values())
    reasons = {name: each["text"].removeprefix("not judged: ") for name, each in measures.items()}
    assert reasons["coarser"] == "no coarser timeframe is followed"
    assert reasons["room"] == reasons["risk_size"] == "the entry has no R"
    assert reasons["cost"] == "no costs are given"
    assert reasons["hours"] == "the sessions are not known"
    assert reasons["dates"] == "no dates are known"
    assert reasons["gap"] == "a setup of one bar has no opening within"
    assert reasons["volatility"].startswith("too few bars")
    assert judged("coarser", scene(lean=None))["text"] == "not judged: too few 1d bars so far"
    assert judged("room", scene())["text"] == "not judged: no obstacle ahead"
    assert judged("cost", scene(risk=None))["text"] == "not judged: the entry has no R"
    assert judged("hours", scene(timetable=timetable("1h", "24/7")))["text"] == "not judged: the market never closes"
    assert judged("hours", scene(timetable=timetable("1d")))["text"] == "not judged: for bars shorter than a day only"


def test_the_reason_for_setting_aside_names_what_is_required_and_fails() -> None:
    made = scene(risk=D("0.19"), obstacle=D("103.02"))
    measures = judge(replace(made, leans=np.array([-1.0])), Surroundings())
    assert [name for name in NAMES if not measures[name]["verdict"]] == ["coarser", "room", "cost", "liquid"]
    assert why_set_aside(measures, ("liquid",)) == "liquid fails: R in steps 19, wanted >= 20"
    assert why_set_aside(measures, Surroundings().require) == (
        "cost fails: spread of both ways in R 0.1053, wanted <= 0.1, and liquid fails: R in steps 19, wanted >= 20"
    )
    assert why_set_aside(measures, ()) == ""
    both = judge(
        scene(series=window([*LAST[:1], (101.4, 101.4, 101.4, 101.4), LAST[2]]), risk=D("0.19")), Surroundings()
    )
    assert why_set_aside(both, ("liquid",)) == (
        "liquid fails: smallest bar's range in steps 0, wanted >= 5; R in steps 19, wanted >= 20"
    )


@pytest.mark.parametrize(
    "wrong", [{"require": ["luck"]}, {"quiet": 1.2}, {"skip_open": -1}, {"min_rom": 1}, {"min_room": np.nan}]
)
def test_a_table_with_a_wrong_setting_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Surroundings.model_validate(wrong)
