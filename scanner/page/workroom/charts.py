"""Charts: as plain values for the script, whose charts can be moved, and as pictures drawn here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.journal.bars_as_told import as_told
from scanner.market.sessions.timeframes import Timeframe
from scanner.page.words import bar_label
from scanner.present.chart.picture import engine_for, traced_over
from scanner.store import SeriesKey

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.configuration.model.settings import Settings
    from scanner.engine.series_engine import SeriesEngine
    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.market.bars import Bars
    from scanner.page.workroom.judging import JudgedBar
    from scanner.store import Store

SHOWN, AT_FIRST = 320, 72
"""Bars of a chart that can be moved, and those in view at first."""
ROOM = 16
"""Room on the right at first, in bars, for the labels of levels."""
SETTLING = 300
"""Bars that go through the indicators before those shown."""
AFTER = 60
"""Most bars shown after the requested one."""


def _bars_around(store: Store, settings: Settings, found: Event) -> Bars | None:
    """Read the bars of a setup's series from well before the bar where it was found; None if that bar is gone."""
    key, time = SeriesKey(found.data["instrument"], found.data["timeframe"]), found.time
    last = store.bars.last_close(key)
    if last is None:
        return None
    since = max(last - time, 0) // Timeframe.named(key.timeframe).nanoseconds
    for stored in store.bars.load([key], SETTLING + SHOWN + since):
        at = int(np.searchsorted(stored.bars.close_time, time))
        if at < len(stored.bars) and stored.bars.close_time[at] == time:
            return as_told(store, settings, key, stored.bars, time)
    return None


def story_picture(store: Store, told: Sequence[Event], settings: Settings) -> bytes | None:
    """Draw a story up to its last event, as PNG; None if its bars are gone."""
    from scanner.present.chart.chart import chart_for  # noqa: PLC0415 - drawing is heavy, and not needed with script
    from scanner.present.story_chart.chart import story_chart_for  # noqa: PLC0415 - as above

    told = [each for each in told if each.kind != "setup.withdrawn"]
    rules, zone = settings.rulebook_of(told[0].data["instrument"]).rules, settings.station.zone
    bars = _bars_around(store, settings, told[0])
    if bars is None or (len(told) > 1 and not np.isin(told[-1].time, bars.close_time)):
        return None
    if len(told) > 1:
        return story_chart_for(bars, told, rules, zone)
    return chart_for(bars, told[0], rules, zone)


def bar_picture(bar: JudgedBar, zone: str) -> bytes:
    """Draw the bars up to one, with the first setup found there, as PNG."""
    from scanner.present.chart.chart import draw  # noqa: PLC0415 - as above
    from scanner.present.chart.picture import picture_of  # noqa: PLC0415 - as above

    own = bar.bars[max(bar.index + 1 - SETTLING - SHOWN, 0) : bar.index + 1]
    return draw(picture_of(own, bar.engine.without_setups(), zone, bar.setup))


def story_values(store: Store, told: Sequence[Event], settings: Settings) -> dict[str, Any] | None:
    """Give the chart of a story as plain values; None if its bars are gone."""
    setup: SetupData = told[0].data
    bars = _bars_around(store, settings, told[0])
    if bars is None:
        return None
    at = int(np.searchsorted(bars.close_time, told[0].time))
    end = min(int(np.searchsorted(bars.close_time, told[-1].time)), len(bars) - 1)
    engine = engine_for(setup, settings.rulebook_of(setup["instrument"]).rules)
    values = _values(bars, at, end, engine, settings.station.zone)
    return values | _setup_values(setup, at - values["first"]) | _told_values(told, bars, values["first"])


def bar_values(bar: JudgedBar, zone: str) -> dict[str, Any]:
    """Give the chart of an explained bar as plain values."""
    values = _values(bar.bars, bar.index, bar.index, bar.engine.without_setups(), zone)
    at = bar.index - values["first"]
    if bar.setup is not None:
        return values | _setup_values(bar.setup.data, at)
    return values | {"letters": [{"at": at, "letter": ""}]}


def _values(bars: Bars, at: int, end: int, engine: SeriesEngine, zone: str) -> dict[str, Any]:
    """Give bars and indicators around those from ``at`` to ``end``, counted from the first that is shown."""
    stop = min(max(end + 1 + AFTER, at + 1), len(bars))
    first = max(min(at - AT_FIRST, stop - SHOWN), 0)
    begin = max(first - SETTLING, 0)
    engine.push(bars[begin:first])
    traced = traced_over(bars[first:stop], engine)
    shown = bars[first:stop]
    spans = zip(shown.open_time.tolist(), shown.close_time.tolist(), strict=True)
    rules = engine.rulebook.rules
    numbers = dict(zip(("open", "high", "low", "close"), (shown.open, shown.high, shown.low, shown.close), strict=True))
    lines = dict(zip(("fast", "slow", "macd", "signal"), traced, strict=True))
    return {
        "first": first,
        "labels": [bar_label(*span, zone, engine.timetable.timeframe.name) for span in spans],
        **{key: [float(f"{value:.10g}") for value in column] for key, column in numbers.items()},
        **{key: [None if np.isnan(v) else float(f"{v:.8g}") for v in column] for key, column in lines.items()},
        "names": {"fast": f"{rules.fast_average}-bar average", "slow": f"{rules.slow_average}-bar average"},
        "view": [at - first - AT_FIRST + ROOM, end - first + ROOM],
        "at": at - first,
        "levels": [],
        "letters": [],
        "marks": [],
        "stops": [],
    }


def _setup_values(setup: SetupData, at: int) -> dict[str, Any]:
    """Give the levels of a setup and the letters of its bars, the last of which is at ``at``."""
    levels, chosen = setup["levels"], setup["entry_style"]
    found = [("stop", f"stop {levels['stop']}", levels["stop"])]
    if (price := setup["entries"][chosen]["price"]) is not None:
        found.append(("entry", f"entry {price}", price))
    found += [("goal", f"{times}R {price}", price) for times, price in enumerate(levels["objectives"], start=1)]
    if levels["obstacle"] is not None:
        found.append(("obstacle", f"obstacle {levels['obstacle']}", levels["obstacle"]))
    letters = [bar["letter"] for bar in setup["bars"]]
    return {
        "levels": [{"kind": kind, "label": label, "price": float(price), "from": at} for kind, label, price in found],
        "letters": [
            {"at": at + 1 - len(letters) + number, "letter": letter}
            for number, letter in enumerate(letters)
            if at + 1 - len(letters) + number >= 0
        ],
    }


def _told_values(told: Sequence[Event], bars: Bars, first: int) -> dict[str, Any]:
    """Give the later events of a story: fills, exits, signs, and the moves of the stop."""
    marks, stops, seen = [], [], set[str]()
    number = {int(time): at - first for at, time in enumerate(bars.close_time.tolist())}
    for event in told[1:]:
        at = number.get(event.time)
        if at is None or event.kind == "setup.withdrawn":
            continue
        for key, label in (("entry", "entered"), ("half_exit", "half closed"), ("exit", "left")):
            price = event.data[key]
            if price is not None and key not in seen:
                seen.add(key)
                marks.append({"at": at, "price": float(price), "kind": key, "label": f"{label} {price}"})
        if event.kind in {"setup.pressure", "setup.exit_signal"}:
            label = "pressure" if event.kind == "setup.pressure" else "exit signal"
            marks.append({"at": at, "price": float(event.data["close"]), "kind": "sign", "label": label})
        stops.append({"at": at, "price": float(event.data["stop"])})
    return {"marks": marks, "stops": stops}
