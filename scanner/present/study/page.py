"""The report of a study as one page. Import this module late: it loads the drawing library."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from scanner.present.reports.page_html import closed_page, facts, picture
from scanner.present.study import outcomes, rules
from scanner.present.study.honesty import honesty
from scanner.present.study.look import STYLE
from scanner.present.study.method import method, read
from scanner.present.study.numbers import count, share
from scanner.present.study.pictures.distribution import distribution
from scanner.present.study.pictures.forest import forest
from scanner.present.study.pictures.reached import reached
from scanner.present.study.pictures.running import running
from scanner.present.study.pictures.where_when import where_when
from scanner.present.study.stories import gallery
from scanner.studies.checked import left_out
from scanner.wording.cautions import FULL, SHORT
from scanner.wording.text import plain
from scanner.wording.times import closing_date, date
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.present.study.honesty import Measured
    from scanner.present.study.pictures.axes import Plot
    from scanner.present.study.stories import StoryWithChart
    from scanner.studies.figures.results import Report
    from scanner.studies.schema import Study

TITLE = "Results of the setups"


def page(study: Study, report: Report, shown: Sequence[StoryWithChart] = (), measured: Sequence[Measured] = ()) -> str:
    """Write the report: ``shown`` are the stories with charts, ``measured`` the measurements of the study itself."""
    sections = [each for each in _sections(study, report, shown, measured) if each[2]]
    links = "".join(f'<li><a href="#{anchor}">{escape(title)}</a></li>' for anchor, title, _ in sections)
    cards = "\n".join(
        f'<section class="card" id="{anchor}">\n<h2>{escape(title)}</h2>\n{inner}\n</section>'
        for anchor, title, inner in sections
    )
    inner = (
        f"{_header(study, report)}\n"
        f'<nav aria-label="Contents"><ul>{links}</ul></nav>\n<main>\n{cards}\n</main>\n'
        f"<footer><p>{escape(FULL)}</p></footer>"
    )
    return closed_page(TITLE, STYLE, inner)


def _header(study: Study, report: Report) -> str:
    verdict = report.verdict
    first, last = (date(study.first, "UTC"), closing_date(study.last)) if study.bars else ("none", "none")
    known = facts(
        [
            ("bars", count(study.bars)),
            ("first bar", first),
            ("last bar", last),
            ("instruments", count(len(study.instruments))),
            ("timeframes", ", ".join(study.timeframes) or "none"),
            ("setups found", count(report.all.found)),
            ("closed trades", f"{verdict.trades:,} in {counted(verdict.months, 'month')}"),
            ("looks at these bars", count(verdict.looks)),
        ]
    )
    missing = "".join(f"<p>{escape(sentence)}</p>\n" for sentence in left_out(study.checked, study.unjudged))
    return (
        f"<header>\n<h1>{TITLE}</h1>\n"
        f'<p class="verdict">{escape(plain(verdict.sentence, outcomes.SENTENCE_LENGTH))}</p>\n'
        f"<p>{escape(_costs(study))}</p>\n{missing}"
        f'<p class="wrong">{escape(SHORT)}</p>\n{known}\n</header>'
    )


def _costs(study: Study) -> str:
    if study.costs_known == 1:
        return "Real costs are known for all setups."
    if study.costs_known == 0:
        return "Costs are assumed to be 0.05 R per trade, since no real ones are known."
    return f"Real costs are known for {share(study.costs_known)} of the setups and assumed to be 0.05 R for the others."


def _sections(
    study: Study, report: Report, shown: Sequence[StoryWithChart], measured: Sequence[Measured]
) -> list[tuple[str, str, str]]:
    """Give anchor, title and content of each section; one without content is left out."""
    streaks = outcomes.streaks(report.all)
    return [
        (
            "outcome",
            "Outcomes",
            _side_by_side(
                *map(_figure, _pictures(study, report)),
                outcomes.of_all(report.all, report.aside),
            ),
        ),
        (
            "chance",
            "Compared with chance",
            outcomes.beside_chance(report.chance) + streaks if report.chance else streaks,
        ),
        ("written", "Recorded beforehand", outcomes.judged(report.judged) if report.judged else ""),
        (
            "groups",
            "What, where and when",
            _side_by_side(*map(_figure, where_when(report.breakdowns))) + outcomes.breakdowns(report.breakdowns),
        ),
        ("rules", "Changes of the rules, compared", _rules(report)),
        ("enough", "How much is enough", outcomes.enough(report.enough)),
        ("stories", "Stories", _stories(shown)),
        ("method", "How this was computed", method()),
        ("honesty", "How honest this is, measured", honesty(measured) if measured else ""),
        ("read", "What was read", read(study)),
    ]


def _pictures(study: Study, report: Report) -> tuple[Plot | None, ...]:
    """Draw the results of the closed setups; None where there is nothing to draw."""
    trades = study.trades
    counting = trades[trades["found"] & (trades["set_aside"] == "") & trades["net_r"].notna()]
    setups = counting[counting["source"] == "setup"]
    by_chance = counting[counting["source"] == "chance"]["net_r"].to_numpy()
    net, mean = setups["net_r"].to_numpy(), report.all.mean.value
    return (
        distribution(net, by_chance, mean) if mean is not None else None,
        None if report.running is None else running(report.running),
        reached(setups["best_r"].to_numpy(), setups["worst_r"].to_numpy(), net, study.seed) if len(net) else None,
    )


def _rules(report: Report) -> str:
    if not report.rules.variants:
        return ""
    walked = "" if report.walk_forward is None else rules.walk_forward(report.walk_forward)
    opening = _side_by_side(f"<div>{rules.sentences(report.rules)}</div>", _figure(forest(report.rules)))
    return opening + rules.variants(report.rules, report.all) + walked


def _stories(shown: Sequence[StoryWithChart]) -> str:
    if not shown:
        return ""
    words = "The best and the worst are rare; those in the middle and at random show the usual case."
    return f"<p>{words}</p>\n{gallery(shown)}"


def _figure(drawn: Plot | None) -> str:
    if drawn is None:
        return ""
    shown = picture(drawn.svg, drawn.alt, "svg+xml")
    return f"<figure>{shown}<figcaption>{escape(drawn.below)}</figcaption></figure>"


def _side_by_side(*parts: str) -> str:
    """Put parts side by side if there is room."""
    return f'<div class="beside">{"".join(parts)}</div>\n' if any(parts) else ""
