"""The report of a study: it shows the figures, needs nothing else, and no name from a feed can add to it."""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from dataclasses import replace
from hashlib import sha256
from itertools import cycle
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest

from scanner.present.study.honesty import Measured, Rate
from scanner.present.study.page import page
from scanner.present.study.stories import StoryWithChart, choose
from scanner.studies.checked import CheckedRows
from scanner.studies.figures.results import Breakdown, Interval
from scanner.wording.cautions import FULL, SHORT
from tests.adapters.samples import HOSTILE_NAMES
from tests.present.study.reader import Page, Table, numbers
from tests.studies.samples import report_of, report_of_many, results, study_of, study_of_many

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import Report
    from scanner.studies.schema import Study


@pytest.fixture(scope="module")
def many() -> Page:
    return Page(page(study_of_many(), report_of_many()))


def assert_says(cells: Sequence[str], *wanted: float | Interval | None) -> None:
    """Compare the numbers in cells, in their order, with values, to the digits shown."""
    told = [number for cell in cells for number in numbers(cell)]
    values: list[float] = []
    for each in wanted:
        parts = (each.value, each.low, each.high) if isinstance(each, Interval) else (each,)
        values += [part for part in parts if part is not None]
    assert told == pytest.approx(values, abs=0.0051, rel=0)
    assert all(each == 0 or number != 0 or abs(each) < 0.0051 for number, each in zip(told, values, strict=True))


def test_the_verdict_opens_the_page(many: Page) -> None:
    verdict = report_of_many().verdict
    assert many.text.index(verdict.sentence) < many.text.index(SHORT) < many.text.index("Outcomes")
    opening = many.text[: many.text.index("Outcomes")]
    assert "Costs are assumed to be 0.05 R per trade, since no real ones are known." in opening
    assert "rows read" not in opening, "none was refused or noted"
    assert f"{study_of_many().bars:,}" in opening
    assert many.text.rstrip().endswith(FULL)


def test_every_number_of_the_figures_is_that_of_the_report(many: Page) -> None:
    table, one, aside = many.table("All figures"), report_of_many().all, report_of_many().aside
    for column, of in (("setups", one), ("set aside", aside)):
        assert_says(
            list(table.column(column).values()),
            *(of.found, of.set_aside, of.never_entered, of.waiting, of.entered, of.closed, of.still_open),
            *(of.broken_off, of.months, of.winners),
            *(of.share, of.mean, of.without_best, of.median),
            *(of.total, of.total_without_best, of.spread, of.skew, of.design_effect, of.profit_factor),
            *(of.bars_held or ()),
            *(of.best_r, of.worst_r, of.gapped, of.both, of.cost),
        )
    streaks = many.table("Streaks compared with chance").rows
    assert one.losing_run is not None
    assert one.drawdown is not None
    assert not one.too_few
    for cells, beside in zip(streaks.values(), (one.losing_run, one.drawdown), strict=True):
        assert_says(cells, beside.value, beside.usual, beside.bad)


def test_the_breakdowns_say_how_many_intervals_a_reader_looks_at(many: Page) -> None:
    shown = [each.groups for each in report_of_many().breakdowns if len(each.groups) > 1]
    intervals = sum(group.mean.low is not None for groups in shown for group in groups)
    assert intervals > 10
    told = f"{intervals} of these groups have an interval, each as if it were the only one: about one in twenty misses"
    assert told in many.text


def test_every_number_of_the_breakdowns_is_that_of_the_report(many: Page) -> None:
    shown = []
    for breakdown in report_of_many().breakdowns:
        caption = "By surroundings" if breakdown.by.startswith("around_") else f"By {breakdown.by.replace('_', ' ')}"
        if len(breakdown.groups) == 1:
            assert caption == "By surroundings" or caption not in {table.caption for table in many.tables}
            continue
        table = many.table(caption)
        for group in breakdown.groups:
            name = group.name or "none"
            assert table.few[name] == group.too_few
            assert_says(
                table.rows[name],
                *(group.mean, group.closed, group.months, group.share, group.without_best.value, group.median.value),
                *(group.profit_factor, group.cost, group.found),
            )
        shown.append(breakdown.by)
    assert shown == ["direction", "place", "evidence_points", "instrument", "year", "around_trend"]
    alike = "setup doji_pause; way of exit quick; entry style break; timeframe 1d; group of instruments none; "
    assert f"The same for all setups: {alike}hour of the day (UTC) 0; coarser not judged." in many.text


def test_a_long_breakdown_shows_the_groups_with_the_most_trades_in_their_order() -> None:
    whole = report_of_many()
    (instruments,) = (each for each in whole.breakdowns if each.by == "instrument")
    closed = [1] * 30 + [7] * 20 + [1] * 5 + [9] * 20  # of those with one trade, the first are shown
    groups = [replace(instruments.groups[0], name=f"NO{k:02}", closed=count) for k, count in enumerate(closed)]
    found = Page(page(study_of_many(), replace(whole, breakdowns=(Breakdown("instrument", tuple(groups)),))))
    (table,) = (each for each in found.tables if each.caption.startswith("By instrument"))
    assert table.caption == "By instrument: 60 of 75, those with the most closed trades; FIGURES.json has all"
    assert list(table.rows) == [f"NO{k:02}" for k in (*range(20), *range(30, 50), *range(55, 75))]


def test_every_number_about_chance_and_rules_is_that_of_the_report(many: Page) -> None:
    (each,) = report_of_many().chance
    (cells,) = many.table("Compared with chance").rows.values()
    assert_says(
        cells,
        *(each.difference, each.setup_mean, each.chance_mean, each.as_well, each.setups, each.controls, each.months),
    )
    table, told = many.table("Every change of the rules"), report_of_many()
    assert len(table.rows) == 1 + len(told.rules.variants)
    assert_says(
        table.rows["the rules as they are"],
        report_of_many().all.mean,
        report_of_many().all.closed,
        report_of_many().all.months,
    )
    for result in told.rules.variants:
        name, corrected = result.variant.name, (result.corrected.low, result.corrected.high)
        assert_says(
            table.rows[name],
            *(result.difference, *corrected, result.mean, result.p, result.q, result.closed, result.months),
        )
        assert ("yes" in table.rows[name]) == result.differs
    for what, best in (
        ("the rules as they are", report_of_many().rules.over_as_is),
        ("not trading", report_of_many().rules.over_nothing),
    ):
        assert best is not None
        (said,) = re.findall(rf"“{re.escape(best.best)}”; against {what}[a-z ]* it has (p = .*?\))", many.text)
        assert_says([said.replace("p = ", "")], best.consistent, best.lower, best.upper)


def test_every_number_about_the_past_and_the_future_is_that_of_the_report(many: Page) -> None:
    walked, enough = report_of_many().walk_forward, report_of_many().enough
    assert walked is not None
    results_of, chosen = (
        many.table("Chosen on the past alone, compared with the rules as they are"),
        many.table("What was chosen"),
    )
    assert_says(results_of.rows["chosen on the past"], walked.mean, walked.closed)
    assert_says(results_of.rows["the rules as they are"], walked.as_is_mean, walked.as_is_closed)
    assert_says(results_of.rows["difference"], walked.difference)
    for choice, (month, cells) in zip(walked.choices, chosen.rows.items(), strict=True):
        assert month == f"{choice.month // 12}-{choice.month % 12 + 1:02}"
        assert cells[0] == ("the rules as they are" if choice.chosen == "as is" else choice.chosen)
        assert_says(cells[1:], choice.ended_before, choice.mean_before)
    known = many.table("What these trades can tell").column("value").values()
    assert_says(list(known), enough.trades, enough.a_year, enough.spread, enough.design_effect, enough.smallest)
    for needed, (mean, cells) in zip(enough.needed, many.table("What is needed").rows.items(), strict=True):
        assert_says([mean, *cells], needed.mean, needed.trades, needed.years)
    (judged,) = report_of_many().judged
    cells = many.table("Hypotheses").rows[judged.hypothesis.name]
    verdict = judged.verdict
    assert_says(cells[:4], verdict.mean, verdict.corrected.low, verdict.corrected.high, verdict.trades, verdict.months)
    assert cells[4:] == ["Tue 6 Feb 2001", "direction is short; place is line", verdict.sentence]


def assert_stands_alone(text: str) -> Page:
    """Check that a page needs nothing else, has no scripts, and can be read by a screen reader."""
    found = Page(text)
    without_data = re.sub(r"data:image/[a-z+]+;base64,[A-Za-z0-9+/=]+", "data:", text)
    assert not re.search(r"https?:|//|url\(|@import|\son\w+=", without_data)
    assert not {"script", "link", "iframe", "form", "object", "style"} & {tag for tag, _ in found.elements} - {"style"}
    (style,) = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    hashed = b64encode(sha256(style.encode()).digest()).decode()
    assert f"style-src &#x27;sha256-{hashed}&#x27;" in text
    assert not any("style" in attributes for _, attributes in found.elements), "the policy allows none"
    assert [level for level, _ in found.headings][:2] == [1, 2]
    assert all(after - before <= 1 for (before, _), (after, _) in zip(found.headings, found.headings[1:], strict=False))
    assert all(len(each["alt"] or "") > 20 and (each["src"] or "").startswith("data:") for each in found.all("img"))
    anchors = {each.get("id") for _, each in found.elements} - {None}
    assert {f"#{each}" for each in anchors} == {each["href"] for each in found.all("a")}
    assert all(table.caption and table.head for table in found.tables)
    assert all(len(cells) == len(table.head) - 1 for table in found.tables for cells in table.rows.values())
    return found


def with_stories(study: Study) -> list[StoryWithChart]:
    return [StoryWithChart(each, b"\x89PNG\r\n") for each in choose(study)]


def test_a_page_with_every_section_needs_nothing_else() -> None:
    rate = Rate("pure chance", "an edge is claimed", 1_500, "3.2 %", "2.4 %", "4.2 %", "at most 5.0 %", met=True)
    measured = Measured("2026-03-02", "python -m tests.honesty", (rate, replace(rate, name="covered", met=None)))
    found = assert_stands_alone(page(study_of_many(), report_of_many(), with_stories(study_of_many()), [measured]))
    assert len(found.all("img")) == 5 + 8
    rows = found.table("Measured on feeds").rows
    assert rows["an edge is claimed"] == ["3.2 %", "2.4 % … 4.2 %", "at most 5.0 %", "met", "1,500"]
    assert rows["covered"][3:] == ["-", "1,500"]
    for picture in found.all("img")[:5]:
        drawn = b64decode((picture["src"] or "").partition(",")[2])
        assert ET.fromstring(drawn).tag.endswith("svg")  # noqa: S314 - we have just written it


def test_what_is_too_few_is_grey_and_says_so() -> None:
    study = study_of(results(11))
    found = assert_stands_alone(page(study, report_of(study), with_stories(study)))
    assert found.text.index("Too few to say: 11 closed trades in") < found.text.index("Outcomes")
    assert found.table("Streaks").column("measured") == dict.fromkeys(found.table("Streaks").rows, "too few")
    for caption in ("By instrument", "Compared with chance", "All figures"):
        table: Table = found.table(caption)
        measured = {name: cells for name, cells in table.rows.items() if "too few" in " ".join(cells)}
        assert measured
        assert all(table.few[name] for name in measured)
    assert "…" not in "".join(found.table("By instrument").column("mean R").values())
    assert "is unknown: there is too little" in found.text


def test_a_study_that_found_nothing_says_so() -> None:
    study = study_of([])
    found = assert_stands_alone(page(study, report_of(study)))
    assert not found.all("img")
    assert found.table("All figures").column("setups")["closed"] == "0"
    assert found.table("All figures").column("setups")["mean R"] == "-"
    assert "nan" not in found.text.lower().replace("finance", "")
    assert FULL in found.text


def named(names: Sequence[str]) -> tuple[Study, Report]:
    """Put each name wherever a text comes from a feed, a file or a user."""
    study = study_of(results(12 * len(names)), instruments=tuple(names))
    report = report_of(study)
    (judged,) = report.judged
    groups = tuple(replace(report.all, name=name) for name in names)
    return (
        replace(
            study,
            files=tuple(replace(study.files[0], name=name) for name in names),
            checked=tuple(CheckedRows(name, 9, {"not ended": 1}, {}) for name in names),
        ),
        replace(
            report,
            verdict=replace(report.verdict, sentence=f"Of {', '.join(names)}: too few."),
            breakdowns=(*report.breakdowns, *(Breakdown(by, groups) for by in ("group", "around_x"))),
            judged=tuple(
                replace(judged, hypothesis=replace(judged.hypothesis, name=name, where=((name, name),)))
                for name in names
            ),
            rules=replace(
                report.rules,
                variants=tuple(
                    replace(each, variant=replace(each.variant, name=name))
                    for each, name in zip(report.rules.variants, cycle(names), strict=False)
                ),
            ),
        ),
    )


def shape(page: Page) -> list[tuple[str, list[str]]]:
    """Give the elements of a page with their attributes; a cell may have a class, depending on its length."""
    return [(tag, sorted({*attributes} - {"class"})) for tag, attributes in page.elements]


def test_no_name_breaks_out_of_the_page() -> None:
    hostile, plain = list(HOSTILE_NAMES.values()), [f"GANNET {number}" for number in range(len(HOSTILE_NAMES))]
    texts = []
    for names in (hostile, plain):
        study, report = named(names)
        assert len(report.rules.variants) >= len(names)
        texts.append(page(study, report, with_stories(study)))
    found, other = map(assert_stands_alone, texts)
    assert shape(found) == shape(other)
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e\u2066]", texts[0])
    assert len(found.text) < 50_000
