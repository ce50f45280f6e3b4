"""Why there was a setup at a bar, or why not: every rule with its number and its threshold, held or missed."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING

from scanner.present.tables import bar_time, table
from scanner.present.text import plain
from scanner.present.wording import number

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.engine import Judgement
    from scanner.events import Measure
    from scanner.market.bars import Bars
    from scanner.study.replay import Tally

HELD, MISSED = "yes", "NO"


def bar(bars: Bars, index: int, tally: Tally, zone: str) -> list[str]:
    """Give the bar that is explained, and the two before it."""
    daily = tally.timeframes[0] in {"1d", "1w"}
    first = max(index - 2, 0)
    names = ("first drive", "doji", "second drive")[first - index - 1 :]
    rows = [
        (
            name,
            bar_time(int(bars.open_time[i]), int(bars.close_time[i]), zone, daily=daily),
            *(f"{column[i]:.10g}" for column in (bars.open, bars.high, bars.low, bars.close)),
            "-" if isnan(bars.volume[i]) else f"{bars.volume[i]:.10g}",
        )
        for i, name in zip(range(first, index + 1), names, strict=True)
    ]
    heads = ("as", "day" if daily else "closed", "open", "high", "low", "close", "volume")
    return [f"{plain(tally.symbol, 60)} {tally.timeframes[0]}, times in {zone}", "", *table(heads, rows, left=(0, 1))]


def missed_by(measure: Measure) -> str:
    """Say by how much a measure misses its threshold, empty where it holds or nothing was measured.

    >>> missed_by({"measured": 0.7, "threshold": ">= 1", "verdict": False, "text": ""})
    '0.3'
    """
    value = measure["measured"]
    if measure["verdict"] or value is None:
        return ""
    words = measure["threshold"].split()
    bounds = [float(word) for word in words if word.replace(".", "", 1).replace("-", "", 1).replace("e", "").isdigit()]
    return number(min(abs(value - bound) for bound in bounds)) if bounds else ""


def _rows(measures: Mapping[str, Measure], missed: str = MISSED) -> list[tuple[str, ...]]:
    return [
        (
            name,
            HELD if measure["verdict"] else missed,
            number(measure["measured"]),
            measure["threshold"],
            missed_by(measure),
            measure["text"],
        )
        for name, measure in measures.items()
    ]


def judgement(found: Judgement) -> list[str]:
    """Give the whole account of one direction at one bar."""
    missed = [name for name, rule in found.rules.items() if not rule["verdict"]]
    head = f"{found.direction}: " + (
        f"qualified, {found.evidence_points} of {found.evidence_total} points of evidence"
        if not missed
        else f"no setup; {len(missed)} of {len(found.rules)} rules missed: {', '.join(missed)}"
    )
    lines = [
        head,
        "",
        *table(
            ("rule", "holds", "measured", "wanted", "misses by", "what is measured"),
            _rows(found.rules),
            left=(0, 1, 3, 5),
        ),
    ]
    places = [
        (
            name,
            HELD if place["verdict"] else "no",
            place["price"] or "-",
            number(place["measured"]),
            place["threshold"],
            place["text"],
        )
        for name, place in found.places.items()
    ]
    lines += [
        "",
        *table(("place", "holds", "price", "measured", "wanted", "what is measured"), places, left=(0, 1, 4, 5)),
    ]
    if missed or found.plan is None:
        return lines
    evidence = [row[:4] + row[5:] for row in _rows(found.evidence, "no")]
    lines += ["", *table(("evidence", "holds", "measured", "wanted", "what is measured"), evidence, left=(0, 1, 3, 4))]
    plan = found.plan
    entries = [
        (
            style,
            entry["price"] or "-",
            entry["risk"] or "-",
            *(entry["objectives"] or ("-", "-", "-")),
            entry["room"] or "-",
            entry["size"] or "-",
        )
        for style, entry in plan.entries.items()
    ]
    lines += ["", *table(("entry", "price", "R", "1R", "2R", "3R", "room", "size"), entries)]
    lines += ["", *(f"{style:9} {entry['reason']}" for style, entry in plan.entries.items())]
    lines += [
        f"stop      {plan.levels['stop']}: {plan.level_reasons['stop']}",
        f"obstacle  {plan.levels['obstacle'] or '-'}: {plan.level_reasons['obstacle']}",
        f"exit      {plan.exit_plan['style']}: {plan.exit_plan['reason']}",
        f"size      {next(iter(plan.entries.values()))['size_reason']}",
    ]
    return lines
