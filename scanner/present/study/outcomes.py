"""The results of the setups, as tables: all figures, breakdowns, comparisons with chance, and how much is enough."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from scanner.present.study.numbers import TOO_FEW, count, in_r, plain, share, span, with_span
from scanner.present.study.tables import Row, RowGroup, grouped, table
from scanner.studies.schema import AROUND
from scanner.wording.tables import NOTHING
from scanner.wording.text import plain as visible
from scanner.wording.times import date
from scanner.wording.words import counted, name

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.studies.figures.results import (
        AgainstChance,
        Beside,
        Breakdown,
        Enough,
        Figures,
        Judged,
    )

MOST_ROWS = 60
"""Most groups shown of a breakdown; if there are more, those with the most closed trades."""
NAME_LENGTH, SENTENCE_LENGTH = 60, 1_000
SOURCES = {
    "setup": "Setups",
    "chance": "Random bars of the same series and side",
    "chance_cross": "The same, with a fresh cross on the same side of the slow average",
}
BY = {
    "setup": "setup",
    "direction": "direction",
    "place": "place",
    "evidence_points": "evidence points",
    "exit_style": "way of exit",
    "entry_style": "entry style",
    "timeframe": "timeframe",
    "instrument": "instrument",
    "group": "group of instruments",
    "year": "year",
    "month": "month",
    "hour": "hour of the day (UTC)",
}
GROUP_HEAD = ("mean R", "closed", "winners", "without best 1 %", "median R", "profit factor", "cost R", "found")
NOT_JUDGED = "not judged"
LACKS = {"instrument": "unnamed"}
"""How an empty name of a group is shown if not as «none»."""


def of_all(found: Figures, aside: Figures) -> str:
    """Show every figure of the setups, next to those of the setups that were set aside."""
    rows = [
        Row(words, (one, other), few)
        for (words, one, few), (_, other, _) in zip(_figures(found), _figures(aside), strict=True)
    ]
    return table("All figures", ("figure", "setups", "set aside"), rows)


def _figures(of: Figures) -> list[tuple[str, str, bool]]:
    """Give the name and value of each figure, and whether it lacks an interval because there is too little."""
    held = NOTHING if of.bars_held is None else " / ".join(f"{each:g}" for each in of.bars_held)
    measured = [
        ("share of winners", of.share, share),
        ("mean R", of.mean, in_r),
        (f"mean R without the best 1 % ({of.best:,})", of.without_best, in_r),
        ("median R", of.median, in_r),
    ]
    return [
        ("found", count(of.found), False),
        ("set aside, by a required surrounding or a suspected bad tick", count(of.set_aside), False),
        ("never entered", count(of.never_entered), False),
        ("still waiting", count(of.waiting), False),
        ("entered", count(of.entered), False),
        ("closed", count(of.closed), False),
        ("still open where the bars end: in no figure of R", count(of.still_open), False),
        ("broken off by a price jump that may be a split: their R is unknown", count(of.broken_off), False),
        ("months with a closed trade", count(of.months), False),
        ("winners", count(of.winners), False),
        *((words, with_span(of_what, write), of.too_few) for words, of_what, write in measured),
        ("sum of R", in_r(of.total), False),
        (f"sum of R without the best 1 % ({of.best:,})", in_r(of.total_without_best), False),
        ("standard deviation of R", plain(of.spread), False),
        ("skewness of R", plain(of.skew), False),
        ("design effect of shared months", plain(of.design_effect), False),
        ("profit factor", plain(of.profit_factor), False),
        ("bars held: quarter / half / three quarters", held, False),
        ("best R reached, median", in_r(of.best_r), False),
        ("worst R reached, median", in_r(of.worst_r), False),
        ("left through a gap beyond the stop", with_span(of.gapped, share), of.too_few),
        ("entry and stop in one bar", with_span(of.both, share), of.too_few),
        ("mean cost in R", plain(of.cost), False),
    ]


def breakdowns(found: Sequence[Breakdown]) -> str:
    """Show the figures by each breakdown, surroundings in one table; values shared by all setups are a sentence."""
    several = [each for each in found if len(each.groups) > 1]
    alike = [f"{by(each)} {named(each.groups[0], each.by)}" for each in found if len(each.groups) == 1]
    shared = f"<p>The same for all setups: {escape('; '.join(alike))}.</p>" if alike else ""
    surroundings = [each for each in several if each.by.startswith(AROUND)]
    parts = [_broken_down(each) for each in several if each not in surroundings]
    if surroundings:
        groups = [RowGroup(by(each), _rows(each.groups, each.by)) for each in surroundings]
        parts.append(grouped("By surroundings", ("surroundings", *GROUP_HEAD), groups))
    intervals = sum(not group.too_few for each in several for group in each.groups)
    caution = (
        f"<p>{intervals:,} of these groups have an interval, each as if it were the only one: about one in twenty "
        "misses the truth, so some groups look good or bad by chance alone.</p>"
    )
    return "\n".join([shared, caution, *parts] if intervals > 1 else [shared, *parts])


def by(breakdown: Breakdown) -> str:
    """Name the column of a breakdown.

    >>> from scanner.studies.figures.results import Breakdown
    >>> by(Breakdown("evidence_points", ())), by(Breakdown("around_coarser", ()))
    ('evidence points', 'coarser')
    """
    return BY.get(breakdown.by, breakdown.by.removeprefix(AROUND).replace("_", " "))


def named(group: Figures, column: str) -> str:
    """Name a group of a breakdown, which may come from a feed."""
    if not group.name:
        return LACKS.get(column, "none")
    return NOT_JUDGED if column.startswith(AROUND) and group.name == "unknown" else name(group.name, NAME_LENGTH)


def _broken_down(breakdown: Breakdown) -> str:
    kept, caption = breakdown.groups, f"By {by(breakdown)}"
    if len(kept) > MOST_ROWS:
        caption += f": {MOST_ROWS} of {len(kept):,}, those with the most closed trades; FIGURES.json has all"
        most = sorted(range(len(kept)), key=lambda place: -kept[place].closed)[:MOST_ROWS]
        kept = tuple(kept[place] for place in sorted(most))
    return table(caption, (by(breakdown), *GROUP_HEAD), _rows(kept, breakdown.by))


def _rows(groups: Sequence[Figures], column: str) -> tuple[Row, ...]:
    return tuple(
        Row(
            named(group, column),
            (
                with_span(group.mean),
                f"{group.closed:,} in {counted(group.months, 'month')}",
                with_span(group.share, share),
                in_r(group.without_best.value),
                in_r(group.median.value),
                plain(group.profit_factor),
                plain(group.cost),
                count(group.found),
            ),
            group.too_few,
        )
        for group in groups
    )


def beside_chance(found: Sequence[AgainstChance]) -> str:
    """Compare setups with random trades on the same bars."""
    head = ("beside", "difference", "mean R of the setups", "of chance", "chance as good", "setups", "drawn", "months")
    rows = [
        Row(
            SOURCES[each.source],
            (
                with_span(each.difference),
                with_span(each.setup_mean),
                with_span(each.chance_mean),
                share(each.as_well),
                count(each.setups),
                count(each.controls),
                count(each.months),
            ),
            each.too_few,
        )
        for each in found
    ]
    return table("Compared with chance; “chance as good” is how often a random pick does at least as well", head, rows)


def streaks(of: Figures) -> str:
    """Compare the worst losing run and drawdown with those of the same trades in other orders."""
    head = ("streak", "measured", "usual by chance", "at worst in 95 of 100")

    def row(words: str, beside: Beside | None, write: Callable[[float | None], str]) -> Row:
        if beside is None:
            return Row(words, (TOO_FEW, NOTHING, NOTHING), few=True)
        return Row(words, (write(beside.value), write(beside.usual), write(beside.bad)))

    rows = [row("losses in a row", of.losing_run, count), row("deepest fall of the sum, in R", of.drawdown, plain)]
    return table("Streaks compared with chance", head, rows)


def enough(of: Enough) -> str:
    """Show what these trades can tell, and what is needed to tell more."""
    known = [
        Row("closed trades", (count(of.trades),)),
        Row("closed trades a year", (plain(of.a_year),)),
        Row("standard deviation of R", (plain(of.spread),)),
        Row("design effect of shared months", (plain(of.design_effect),)),
        Row("smallest mean that they could tell from 0, in R", (plain(of.smallest),)),
    ]
    needed = [Row(in_r(each.mean), (count(each.trades), plain(each.years))) for each in of.needed]
    return "\n".join(
        (
            table("What these trades can tell", ("figure", "value"), known),
            table(
                "What is needed to tell a mean from 0 in four of five cases; to beat random bars as well, usually more",
                ("mean R", "closed trades", "years at the rate so far"),
                needed,
            ),
        )
    )


def judged(found: Sequence[Judged]) -> str:
    """Show hypotheses recorded beforehand, each with the result of the setups found since."""
    head = ("hypothesis", "mean R since", "corrected", "trades", "months", "written", "setups where", "verdict")
    rows = []
    for each in found:
        verdict, asked = each.verdict, each.hypothesis
        where = "; ".join(f"{name(column.replace('_', ' '))} is {name(value)}" for column, value in asked.where)
        rows.append(
            Row(
                name(asked.name, NAME_LENGTH),
                (
                    with_span(verdict.mean),
                    span(verdict.corrected),
                    count(verdict.trades),
                    count(verdict.months),
                    date(asked.written_at, "UTC"),
                    where or "all",
                    visible(verdict.sentence, SENTENCE_LENGTH),
                ),
                verdict.kind == "too_few",
            )
        )
    return table("Hypotheses, tested on setups found after they were recorded", head, rows)
