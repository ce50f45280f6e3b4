"""The study that is kept, as alerts and reports quote it: what it says, of which rules, and how old it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from scanner.clocks import SECOND
from scanner.commands.station.record_notes import RecordNotes, told_of_record
from scanner.configuration.model.settings import from_document
from scanner.service.outlined import outline_of
from scanner.studies.kept.marks import rules_marks
from scanner.studies.kept.record import KindRecord, Record, beside
from tests.adapters.samples import BAR_CLOSE, forming_event, set_aside_event, setup_event

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.configuration.model.settings import Settings
    from scanner.events import Event

DAY = 86_400 * SECOND
NOBODY = "No study of your bars is kept, so how setups of this kind did is unknown."
SO_FAR = "So far 214 of this kind on your bars: 31 % winners, mean"
NET = "R net of costs (95 % interval"
REST = "without the best 1 % −0.10 R"
"""Few trades may make all of a gain."""
STUDIED = "(study of Sun 1 Mar 2026, bars to Fri 27 Feb 2026)."


def settings(folder: Path, **tables: Any) -> Settings:  # noqa: ANN401 - as in a file
    document = {
        "station": {"store": "kept.db"},
        "defaults": {"feed": "tape", "timeframes": ["15m"], "step": 0.05},
        "instruments": {"HARBOUR": {}, "GANNET": {"group": "far"}},
        "groups": {"far": {"costs": {"spread": "0.02"}}},
        "feeds": {"tape": {"type": "folder", "path": "."}},
    }
    return from_document(document | tables, folder, {})


def kind(closed: int = 214, **changes: Any) -> KindRecord:  # noqa: ANN401 - any of its fields
    values = {
        "direction": "long",
        "share": 0.31,
        "mean": -0.0249,
        "without_best": -0.104,
        "low": -0.21,
        "high": 0.19,
        "verdict": "no_sign",
    } | changes
    return KindRecord(setup="doji_pause", timeframe="15m", closed=closed, **values)


def record(known: Settings, *kinds: KindRecord, looks: int = 1) -> Record:
    marks = rules_marks(known, known.rulebook_of(), ["HARBOUR"])
    last = BAR_CLOSE - 3 * DAY
    return Record(at=last + 2 * DAY, first=last - 900 * DAY, last=last, rules=marks, looks=looks, kinds=kinds)


def said(folder: Path, event: Event | None = None, known: Settings | None = None, now: int = BAR_CLOSE) -> str:
    notes = RecordNotes(folder / "kept.db", lambda: known or settings(folder), lambda: now, lambda _: None)
    return notes(event or setup_event())


NO_INTERVAL = {"share": None, "mean": None, "without_best": None, "low": None, "high": None, "verdict": "too_few"}


@pytest.mark.parametrize(
    ("kinds", "looks", "expected"),
    [
        ([kind()], 1, f"{SO_FAR} −0.02 {NET} −0.21 … +0.19), {REST}: no sign of an edge"),
        (
            [kind(low=0.01)],
            36,
            f"{SO_FAR} −0.02 {NET} +0.01 … +0.19), {REST}: no sign of an edge once 36 looks and chance are counted",
        ),
        (
            [kind(mean=0.3, low=0.1, high=0.5, verdict="edge")],
            1,
            f"{SO_FAR} +0.30 {NET} +0.10 … +0.50), {REST}: more than chance so far, which promises nothing",
        ),
        (
            [kind(mean=-0.001, high=-0.1, verdict="loses")],
            1,
            f"{SO_FAR} +0.00 {NET} −0.21 … −0.10), {REST}: it has lost so far",
        ),
        ([kind(12, **NO_INTERVAL)], 1, "So far 12 of this kind on your bars: too few to say anything"),
        ([kind(0, **NO_INTERVAL)], 1, "So far none of this kind closed on your bars"),
        ([], 1, "So far none of this kind closed on your bars"),
    ],
)
def test_what_an_alert_ends_with(tmp_path: Path, kinds: list[KindRecord], looks: int, expected: str) -> None:
    beside(tmp_path / "kept.db").write_bytes(record(settings(tmp_path), *kinds, looks=looks).to_bytes())
    assert said(tmp_path) == f"{expected} {STUDIED}"


def test_the_last_bar_is_dated_by_the_day_that_it_closed(tmp_path: Path) -> None:
    """A day's bar closes at the midnight after it, when it is the next day already, in the station's zone as well."""
    known = settings(tmp_path, station={"store": "kept.db", "zone": "Europe/Berlin"})
    made = record(known, kind()).model_copy(update={"last": BAR_CLOSE - BAR_CLOSE % DAY})
    beside(tmp_path / "kept.db").write_bytes(made.to_bytes())
    assert "bars to Sun 1 Mar 2026)" in said(tmp_path, known=known)


def test_each_alert_quotes_its_own_kind(tmp_path: Path) -> None:
    beside(tmp_path / "kept.db").write_bytes(record(settings(tmp_path), kind()).to_bytes())
    assert said(tmp_path, set_aside_event()).startswith(
        "So far 214 of this kind that were not set aside on your bars: "
    )
    assert said(tmp_path, setup_event(direction="short")).startswith("So far none of this kind closed")
    assert said(tmp_path, setup_event(timeframe="1h")).startswith("So far none of this kind closed")
    assert said(tmp_path, forming_event(setup_event())).startswith(SO_FAR)


@pytest.mark.parametrize(
    ("tables", "is_other"),
    [
        ({}, False),
        ({"station": {"store": "kept.db", "zone": "Europe/Berlin"}, "follow": {"which": "taken"}}, False),
        ({"setups": {"doji_pause": {"forming": True}}}, False),
        ({"rules": {"stop_margin": 0.1}}, True),
        ({"setups": {"doji_pause": {"doji_body": 0.08}}}, True),
        ({"follow": {"max_bars": 20}}, True),
        ({"surroundings": {"require": ["room"]}}, True),
        ({"defaults": {"feed": "tape", "timeframes": ["15m"], "step": 0.05, "costs": {"spread": "0.01"}}}, True),
    ],
)
def test_changed_rules_or_costs_are_reported(tmp_path: Path, tables: Any, *, is_other: bool) -> None:  # noqa: ANN401 - as in a file
    beside(tmp_path / "kept.db").write_bytes(record(settings(tmp_path), kind()).to_bytes())
    told = said(tmp_path, known=settings(tmp_path, **tables))
    assert told.endswith(" It used other rules or costs than you do now.") == is_other
    gannet = said(tmp_path, setup_event("GANNET"), known=settings(tmp_path, **tables))
    assert gannet.endswith(" It used other rules or costs than you do now."), "its costs are others from the first"


@pytest.mark.parametrize(("days", "is_told"), [(397, False), (398, True)])
def test_a_study_older_than_the_user_allows_is_reported(tmp_path: Path, days: int, *, is_told: bool) -> None:
    beside(tmp_path / "kept.db").write_bytes(record(settings(tmp_path), kind()).to_bytes())
    told = said(tmp_path, now=BAR_CLOSE + days * DAY)
    assert told.endswith(" That study is old: its last bar was 401 days ago, and you allow 400.") == is_told
    allowed = settings(tmp_path, study={"max_age": 401})
    assert said(tmp_path, known=allowed, now=BAR_CLOSE + days * DAY).endswith(STUDIED)


def test_a_record_is_read_again_whenever_it_changes_and_a_damaged_one_is_reported_once(tmp_path: Path) -> None:
    path, event = beside(tmp_path / "kept.db"), setup_event()
    troubles: list[str] = []
    notes = RecordNotes(tmp_path / "kept.db", lambda: settings(tmp_path), lambda: BAR_CLOSE, troubles.append)
    whole = record(settings(tmp_path), kind()).to_bytes()
    assert notes(event) == NOBODY
    path.write_bytes(whole)
    assert notes(event).startswith("So far 214 ")
    path.write_bytes(whole.replace(b"214", b"7"))
    assert notes(event).startswith("So far 7 ")
    assert troubles == []
    for damaged in (
        whole[:-9],
        b"",
        b"[]",
        whole.replace(b"214", b"null"),
        whole.replace(b"no_sign", b"sure"),
        b"\xff",
    ):
        path.write_bytes(damaged)
        for _ in range(2):
            assert notes(event) == "How setups of this kind did is unknown: the kept study cannot be read."
        assert troubles.pop().startswith(f"{path}: the study kept there cannot be read (")
        assert troubles == []
    path.write_bytes(whole)
    assert notes(event).startswith("So far 214 ")
    path.unlink()
    assert notes(event) == NOBODY


def test_reports_tell_which_study_alerts_quote(tmp_path: Path) -> None:
    known, path = settings(tmp_path), beside(tmp_path / "kept.db")
    about = outline_of(known, {}, BAR_CLOSE)
    assert told_of_record(about, BAR_CLOSE).startswith("No study is kept, and alerts say so; ")
    path.write_bytes(record(known, kind(), kind(6, direction="short")).to_bytes())
    assert told_of_record(about, BAR_CLOSE + 400 * DAY) == (
        "Alerts quote the study of Sun 1 Mar 2026, of bars from Mon 11 Sep 2023 to Fri 27 Feb 2026: 2 kinds of setup, "
        "220 closed. That study is old: its last bar was 403 days ago, and you allow 400. "
        "1 of 2 instruments are watched by other rules or costs than it used."
    )
    path.write_bytes(b"{")
    assert told_of_record(about, BAR_CLOSE).startswith(f"Warning: {path}: the study kept there cannot be read (")
