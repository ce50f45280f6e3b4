"""The page knows what the station knows: bars judged again, open stories, and the stored study."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.configuration.model import settings as configuration
from scanner.events import OF_SETUPS
from scanner.journal.open_stories import OpenStories
from scanner.journal.stories import stories
from scanner.market.splits import Adjustment
from scanner.page.known.configured import Configured
from scanner.page.known.looking import Looker
from scanner.page.workroom.judging import judge_last, judged_at
from scanner.page.workroom.work import Work
from scanner.service.resuming import snapshot_of
from scanner.store import Batch, Said, SeriesUpdate, Store
from scanner.studies.kept.record import report_beside
from tests.journal.samples import found, told
from tests.page.served import CONFIG, KEY, get, served
from tests.service.bad_days import BARS

if TYPE_CHECKING:
    from pathlib import Path

LAST = 600


def kept(folder: Path) -> Store:
    """Store bars and their events, bar by bar from the first setup on."""
    (folder / "watch.toml").write_text(CONFIG)
    known = configuration.load(folder / "watch.toml", {})
    pipeline = known.of("GANNET").inputs(known.account).pipeline()
    store = Store.open(folder / "kept.db", lambda: 0)
    for begin, end in [(0, 390), *((number, number + 1) for number in range(390, LAST))]:
        said = [Said(each, (), KEY) for each in pipeline.events(BARS[begin:end])]
        store.commit(Batch([SeriesUpdate(KEY, BARS[begin:end], snapshot_of(pipeline))], said=said))
    return store


@pytest.mark.parametrize("adjustments", [(), (Adjustment(int(BARS.open_time[400]), Fraction(101, 100)),)])
def test_a_bar_is_judged_again_as_it_was_judged_live(tmp_path: Path, adjustments: tuple[Adjustment, ...]) -> None:
    with kept(tmp_path) as store:
        known = configuration.load(tmp_path / "watch.toml", {})
        watched = {"GANNET": replace(known.of("GANNET"), adjustments=adjustments)}
        setups = [kept_one.event for kept_one in store.events.find(kinds=["setup.qualified"])]
        assert setups
        numbers = [int(np.searchsorted(BARS.close_time, event.time)) for event in setups]
        for number in {*numbers, 300, 455, LAST - 1}:
            pipeline = watched["GANNET"].inputs(known.account).pipeline()
            live = [event for event in pipeline.events(BARS[: number + 1]) if event.time == BARS.close_time[number]]
            bar = judged_at(store, watched["GANNET"], KEY, known.account, int(BARS.close_time[number]))
            assert bar is not None
            assert bar.index == int(np.searchsorted(bar.bars.close_time, BARS.close_time[number]))
            for again, before in zip(bar.judged, pipeline.lanes[0].engine.judge_last(), strict=True):
                assert again.setup.name == before.setup.name
                assert {name: rule["verdict"] for name, rule in again.rules.items()} == {
                    name: rule["verdict"] for name, rule in before.rules.items()
                }
                measured = [rule["measured"] or 0.0 for rule in again.rules.values()]
                assert measured == pytest.approx([rule["measured"] or 0.0 for rule in before.rules.values()])
            first = next((each.id for each in live if each.facts.begins), None)
            assert (bar.setup.id if bar.setup else None) == first
        last = judge_last(store, watched, [KEY], known.account)[KEY]
        assert last is not None
        assert last.bars.close_time[last.index] == BARS.close_time[LAST - 1]
        assert judged_at(store, watched["GANNET"], KEY, known.account, 0) is None


def test_open_stories_are_those_of_the_whole_past(tmp_path: Path) -> None:
    with kept(tmp_path) as store:
        everything = stories(store.events.find(kinds=OF_SETUPS))
        expected = {each.id: each.events for each in everything if each.is_open}
        assert expected
        assert {each.id: each.events for each in OpenStories(store).look()} == expected
        begun = OpenStories(store)
        begun.look()
        assert {each.id: each.events for each in begun.look()} == expected
        half = [each.number for each in store.events.find(kinds=OF_SETUPS)][len(everything)]
        unfinished = {each.event.thread for each in store.events.unfinished(half)}
        so_far = stories([each for each in store.events.find(kinds=OF_SETUPS) if each.number <= half])
        assert unfinished == {each.id for each in so_far if each.is_open}


def test_a_look_finds_a_new_version_only_if_something_has_changed(tmp_path: Path) -> None:
    passed = [0.0]
    store = kept(tmp_path)
    path = tmp_path / "watch.toml"
    configured = Configured(path, Work(path, {}), lambda: passed[0])
    looker = Looker(configured, lambda: int(BARS.close_time[LAST - 1]), lambda: passed[0])
    assert looker.look()
    assert looker.board.status is not None
    assert [each.last_close for each in looker.board.status.series if each.instrument == "GANNET"] == [
        BARS.close_time[LAST - 1]
    ]
    assert not looker.look()
    passed[0] += 60
    assert not looker.look()
    (story,) = looker.board.stories
    store.decisions.add(story.id, "note", text="seen")
    assert looker.look()
    assert [each.text for each in looker.board.decisions[story.id]] == ["seen"]
    (tmp_path / "watch.toml").write_text(CONFIG.replace("loft <b>", "attic"))
    passed[0] += 60
    assert looker.look()
    store.close()
    for file in tmp_path.glob("kept.db*"):
        file.unlink()
    with Store.open(tmp_path / "kept.db", lambda: 0):
        assert looker.look()
        assert looker.board.stories == []
        assert looker.store.events.last() == 0
        looker.stop()


def test_no_order_is_valid_once_the_user_has_left(tmp_path: Path) -> None:
    """The story goes on until the next bar, but a stop left in the market would open a new position."""
    setup = found("TERN")
    entered = told(setup, "setup.entered", 1, "open", orders="sell stop 100.40")
    with served(tmp_path) as page:
        page.say(setup, entered)
        for path in ("/", f"/story/{setup.thread}"):
            page.until("sell stop 100.40", path)
        page.store.decisions.add(setup.thread, "take")
        page.store.decisions.add(setup.thread, "leave")
        assert "<b>Valid now:" not in page.until("No order is valid now", "/")
        assert "<b>Valid now:" not in get(f"{page.url}/story/{setup.thread}").text


def test_the_page_reads_the_configuration_again_when_its_dates_change(tmp_path: Path) -> None:
    kept(tmp_path).close()
    path, dates = tmp_path / "watch.toml", tmp_path / "dates.csv"
    path.write_text(CONFIG.replace("[surroundings]", '[surroundings]\ndates = "dates.csv"'))
    configured = Configured(path, Work(path, {}))
    before = configured.known.outline
    dates.write_text("time,instrument,what\n2027-06-12,all,report\n")
    configured.look_again()
    assert configured.known.outline.mark == configuration.load(path, {}).mark != before.mark


def test_the_stored_report_is_shown_and_runs_nothing(tmp_path: Path) -> None:
    with served(tmp_path) as page:
        assert get(f"{page.url}/study/report").status_code == 404
        report_beside(tmp_path / "kept.db").write_text("<p>The report")
        assert "/study/report" in page.until("Read the whole report", "/study")
        answer = get(f"{page.url}/study/report")
        assert answer.text == "<p>The report"
        rules = {each.strip().partition(" ")[0] for each in answer.headers["content-security-policy"].split(";")}
        assert {"sandbox", "default-src", "frame-ancestors"} <= rules
        assert "script-src" not in answer.headers["content-security-policy"]
