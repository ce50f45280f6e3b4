"""The status of a station from its store: pure for the figures, and read beside the owner."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from scanner.clocks import SECOND
from scanner.configuration.model.outline import FIXED
from scanner.configuration.model.settings import Settings, SettingsError, from_document
from scanner.events import Event, event_id, rfc3339
from scanner.page.known.summary import summary_of
from scanner.present.reports.status_report import FeedStatus, OldList, SinkStatus, report
from scanner.service.changes.change_list import list_of
from scanner.service.changes.config_mark import fixed_mark
from scanner.service.changes.restating import as_sent
from scanner.service.desk import Desk
from scanner.service.outlined import outline_of
from scanner.service.status import StoreFacts, facts, status
from scanner.service.together.usual import Arrival
from scanner.store import Batch, Said, SeriesKey, Store
from scanner.store.lock import Holder, holder
from tests.laws import QUARTER_HOUR, bars_of
from tests.outside.random_tapes import tape
from tests.store.samples import said

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from scanner.configuration.model.outline import Outline
    from scanner.events import Kind

HOUR = 3_600 * SECOND
FRIDAY = 1_772_226_000 * SECOND
"""2026-02-27T21:00:00Z, at which the last bar of the week closes in New York."""
SHARE, COIN = SeriesKey("HARBOUR", "1h"), SeriesKey("SHELL", "15m")


def settings(folder: Path) -> Settings:
    document = {
        "station": {"name": "loft", "zone": "Europe/Berlin"},
        "feeds": {"coast": {"type": "folder", "path": "."}, "isle": {"type": "folder", "path": "."}},
        "sinks": {"screen": {"type": "console"}},
        "defaults": {"step": "0.01"},
        "instruments": {
            "HARBOUR": {"feed": "coast", "calendar": "XNYS", "timeframes": ["1h"]},
            "SHELL": {"feed": "isle", "calendar": "24/7", "timeframes": ["15m", "1h"]},
        },
    }
    return from_document(document, folder, {})


def outline(known: Settings) -> Outline:
    return outline_of(known, {}, FRIDAY)


def test_over_a_weekend_a_coin_can_lag_and_a_share_cannot(tmp_path: Path) -> None:
    now = FRIDAY + 2 * HOUR
    known = StoreFacts(
        last={SHARE: FRIDAY, COIN: FRIDAY + HOUR, SeriesKey("SHELL", "1h"): FRIDAY + HOUR},
        seen={SHARE: 250, COIN: 249},
        outbox={("mail", "dead"): 2, ("screen", "waiting"): 1, ("screen", "delivered"): 9, ("desk", "delivered"): 1},
    )
    told = status(outline(settings(tmp_path)), known, now, Holder("4711", ""))
    share, coin, coarse = told.series
    assert (share.lag, share.missing, share.needed) == (0, 0, 0)
    assert share.next_close == FRIDAY + 3 * 24 * HOUR - 5 * HOUR - HOUR // 2  # Monday, 10:30 in New York
    assert (coin.lag, coin.missing, coin.needed) == (HOUR - QUARTER_HOUR, 4, 1)
    assert (coarse.lag, coarse.missing, coarse.needed) == (0, 1, 250)  # it closes at this very moment
    assert list(told.feeds) == [
        FeedStatus("coast", 1, 0, 0, FRIDAY, 0, late=False),
        FeedStatus("isle", 1, 1, 0, FRIDAY + HOUR, HOUR - QUARTER_HOUR, late=True),
    ]
    assert list(told.sinks) == [SinkStatus("screen", 1, 0), SinkStatus("mail", 0, 2, gone=True)]
    lines = report(told)
    assert lines[0] == "The station loft is running (process 4711)."
    assert lines[2] == "3 series, 1 warm, 1 waiting for a bar that has closed."
    assert any(line.startswith("isle ") and line.endswith(" 45 min  late") for line in lines)
    assert any("in 1 bar " in line for line in lines)
    assert any(line.startswith("mail ") and line.endswith("  no longer in the configuration") for line in lines)


def test_much_at_risk_is_told_with_the_sum(tmp_path: Path) -> None:
    account = {"equity": 50_000, "currency": "USD", "risk_fraction": 0.05}
    risky = from_document({**settings(tmp_path).document, "account": account}, tmp_path, {})
    lines = report(status(outline(risky), StoreFacts({}, {}, {}), FRIDAY, None))
    assert [line.partition(";")[0] for line in lines if line.startswith("Warning: ")] == [
        "Warning: account.risk_fraction: one trade may lose 5 % of the equity, 2500.00 USD"
    ]


def test_a_series_without_bars_is_behind_and_cold(tmp_path: Path) -> None:
    told = status(outline(settings(tmp_path)), StoreFacts({}, {}, {}), FRIDAY, None)
    assert {(each.last_close, each.lag, each.needed) for each in told.series} == {(None, None, 250)}
    assert [(each.behind, each.late) for each in told.feeds] == [(1, False)] * 2
    assert report(told)[0] == "The station loft is not running: nobody is looking at its series."
    assert any("no bar yet" in line for line in report(told))


@pytest.mark.parametrize(
    ("since", "late"),
    [
        # It is unknown how long it has been overdue.
        (None, {"coast": True, "isle": True}),
        # The coin's quarter of an hour closed just now, and nothing is due in New York before Monday.
        (FRIDAY + 24 * HOUR - QUARTER_HOUR, {"coast": False, "isle": False}),
        (FRIDAY + 24 * HOUR - 2 * QUARTER_HOUR, {"coast": False, "isle": True}),
        (FRIDAY - HOUR, {"coast": True, "isle": True}),
    ],
)
def test_a_feed_without_any_bar_is_late_if_one_was_due_since_the_start(
    tmp_path: Path, since: int | None, late: dict[str, bool]
) -> None:
    known, now = settings(tmp_path), FRIDAY + 24 * HOUR
    word = "" if since is None else f"{known.mark} {since}"
    told = status(outline(known), StoreFacts({}, {}, {}), now, Holder("4711", word))
    assert {each.name: each.late for each in told.feeds} == late
    assert [(each.without, each.lag) for each in told.feeds] == [(1, None)] * 2
    rows = [line for line in report(told) if line.startswith(("coast ", "isle "))]
    assert ["no bar yet" in row for row in rows] == [True] * 2
    assert [row.endswith("late") for row in rows] == list(late.values())


def test_a_feed_says_for_how_many_instruments_no_bar_came(tmp_path: Path) -> None:
    document = {**settings(tmp_path).document}
    document["instruments"] = document["instruments"] | {"SHELLL": document["instruments"]["SHELL"]}
    known = from_document(document, tmp_path, {})
    lasts = {SHARE: FRIDAY, COIN: FRIDAY, SeriesKey("SHELL", "1h"): FRIDAY}
    holder = Holder("4711", f"{known.mark} {FRIDAY - HOUR}")
    told = status(outline(known), StoreFacts(lasts, {}, {}), FRIDAY, holder)
    assert told.feeds[1] == FeedStatus("isle", 2, 1, 1, FRIDAY, 0, late=True)
    assert any(line.startswith("isle ") and line.endswith("none  late, no bar yet of 1") for line in report(told))


def test_a_changed_configuration_that_was_not_read_again_does_not_count_as_watched(tmp_path: Path) -> None:
    known = settings(tmp_path)
    other = from_document({**known.document, "account": {"equity": 1000}}, tmp_path, {})
    looked_at = StoreFacts({}, {}, {})
    for after, told in ((known, 0), (other, 1)):
        found = report(status(outline(after), looked_at, FRIDAY, Holder("4711", f"{known.mark} {FRIDAY - HOUR}")))
        lines = [line for line in found if line.startswith("It still uses the configuration of Fri 27 Feb 2026 ")]
        assert len(lines) == told
    assert status(outline(other), looked_at, FRIDAY, None).old is None


@pytest.mark.parametrize(
    ("table", "content"),
    [
        ("station", {"name": "attic"}),
        ("feeds", {"coast": {"type": "folder", "path": "/srv"}, "isle": {"type": "folder", "path": "."}}),
        ("sinks", {"screen": {"type": "console", "width": 72}}),
        ("quiet", {"screen": {"start": "22:00:00", "end": "06:00:00", "zone": "UTC"}}),
        ("ceiling", {"screen": 5}),
        ("account", {"equity": 1000}),
        ("rules", {"fast_average": 40}),
        ("routes", [{"sinks": ["screen"]}]),
    ],
)
def test_a_restart_is_advised_where_a_reload_would_be_refused(
    tmp_path: Path, table: str, content: Mapping[str, Any]
) -> None:
    before = settings(tmp_path)
    after = from_document({**before.document, table: content}, tmp_path, {})
    found = Holder("4711", f"{before.mark} {FRIDAY} {fixed_mark(before)}")
    told = status(outline(after), StoreFacts({}, {}, {}), FRIDAY, found)
    try:
        list_of(after, before)
    except SettingsError:
        refused = True
    else:
        refused = False
    assert refused == (table in FIXED)
    assert told.old == OldList(FRIDAY, restart=refused)
    (line,) = [line for line in report(told) if line.startswith("It still uses the configuration of ")]
    assert ("Restart the station to use it" in line, "SIGHUP" in line) == (refused, not refused)
    mistaken = report(
        status(outline(after), StoreFacts({}, {}, {}), FRIDAY, found, mistake="x.toml:3: rules: no such thing")
    )[1]
    assert mistaken.endswith("and is not used until it is corrected: x.toml:3: rules: no such thing")
    assert "SIGHUP" not in mistaken


def test_a_recording_is_judged_as_of_its_last_bar(tmp_path: Path) -> None:
    known = StoreFacts({COIN: FRIDAY}, {COIN: 300}, {})
    told = status(replace(outline(settings(tmp_path)), played=True), known, FRIDAY + 1_000 * HOUR, None)
    assert told.now == FRIDAY
    assert told.series[1].lag == 0


def test_facts_are_read_beside_the_owner_as_it_left_them(tmp_path: Path) -> None:
    known = settings(tmp_path)
    bars = bars_of(tape(30), FRIDAY - FRIDAY % HOUR)
    path = tmp_path / "kept.db"
    assert holder(path) is None
    with Store.open(path, lambda: int(bars.close_time[-1])) as store:
        assert (found := holder(path)) is not None
        assert found.process.isdigit()
        desk = Desk(known.watched(), known.account, store, route=lambda _: (), stale_after=3, record=False)
        desk.load()
        desk.take([Arrival("SHELL", as_sent(bars[:402], "tape"))], int(bars.close_time[401]))
        store.commit(Batch(said=[Said(said(COIN, 0).event, ["mail"])]))
        with Store.open(path, lambda: 0, visiting=True) as visited:
            read = facts(visited, outline(known).listed)
        engines = {lane.timeframe.name: lane.engine for lane in desk.pipelines["SHELL"].lanes}
        assert read.seen == {SeriesKey("SHELL", name): engine.series.count for name, engine in engines.items()}
        assert read.seen[COIN] == 402
        assert read.last[COIN] == int(bars.close_time[401])
        assert read.last[SeriesKey("SHELL", "1h")] == int(bars.close_time[399])
        assert SHARE not in read.last
        assert read.outbox == {("mail", "waiting"): 1}
    assert holder(path) is None


def test_a_late_feed_has_its_last_reason_until_it_is_back(tmp_path: Path) -> None:
    about = outline(settings(tmp_path))

    def of_isle(kind: Kind, time: int, reason: str) -> Said:
        data = {"feed": "isle", "series": ["SHELL/15m"], "since": rfc3339(time), "caught_up": 0, "reason": reason}
        return Said(Event(kind, event_id(kind, "isle", str(time)), time, "isle", data), [])

    with Store.open(tmp_path / "kept.db", lambda: FRIDAY) as store:
        store.commit(Batch(said=[of_isle("feed.late", FRIDAY, "closed bars are missing")]))
        store.commit(Batch(said=[of_isle("feed.back", FRIDAY + HOUR, "the missing bars have come")]))
        assert facts(store, about.listed).late == {}
        store.commit(Batch(said=[of_isle("feed.late", FRIDAY + 2 * HOUR, "it is shut\x1b[2J")]))
        known = replace(facts(store, about.listed), last={SHARE: FRIDAY, COIN: FRIDAY})
    assert known.late == {"isle": "it is shut\x1b[2J"}
    late = status(about, known, FRIDAY + 3 * HOUR, Holder("4711", ""))
    assert "isle is late: it is shut<001B>[2J" in report(late)
    assert summary_of(late).troubles[0] == "The feed isle is late: 1 series lack a bar; it is shut<001B>[2J."
    well = status(about, replace(known, last={SHARE: FRIDAY, COIN: FRIDAY + 3 * HOUR}), FRIDAY + 3 * HOUR, None)
    assert not any("isle is late" in line for line in report(well))
