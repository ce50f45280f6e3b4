"""Why there was a setup at a bar, or why not: every rule with its number and its threshold, held or missed."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING, Any

from scanner.present.tables import bar_time, table
from scanner.present.text import plain
from scanner.present.wording import number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.analysis.setup import Setup
    from scanner.event_data import FormingData, Measure
    from scanner.events import Event
    from scanner.judgement import Judgement
    from scanner.market.bars import Bars
    from scanner.replay import Tally

HELD, MISSED = "yes", "NO"


SHOWN = 3
"""Bars shown where several setups are explained."""


def bar(bars: Bars, index: int, setups: Sequence[Setup[Any]], tally: Tally, zone: str) -> list[str]:
    """Give the bar that is explained, and those before it; of a single setup by their names in it."""
    daily = tally.timeframes[0] in {"1d", "1w"}
    named = [name for _, name in setups[0].bars] if len(setups) == 1 else [""] * SHOWN
    first = max(index + 1 - len(named), 0)
    names = named[first - index - 1 :]
    rows = [
        (
            name,
            bar_time(int(bars.open_time[i]), int(bars.close_time[i]), zone, daily=daily),
            *(f"{column[i]:.10g}" for column in (bars.open, bars.high, bars.low, bars.close)),
            "-" if isnan(bars.volume[i]) else f"{bars.volume[i]:.10g}",
        )
        for i, name in zip(range(first, index + 1), names, strict=True)
    ]
    heads: Sequence[str] = ("as", "day" if daily else "closed", "open", "high", "low", "close", "volume")
    if len(setups) != 1:
        shown = table(heads[1:], [row[1:] for row in rows], left=(0,))
    else:
        shown = table(heads, rows, left=(0, 1))
    return [f"{plain(tally.symbol, 60)} {tally.timeframes[0]}, times in {zone}", "", *shown]


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


def ahead(event: Event) -> list[str]:
    """Give what was told of a setup at this bar that the next one may complete."""
    data: FormingData = event.data
    return [f"{data['title']} {data['direction']}: forming", "", *(f"    {each['text']}" for each in data["must"])]


def judgement(found: Judgement) -> list[str]:
    """Give the whole account of one direction at one bar."""
    missed = [name for name, rule in found.rules.items() if not rule["verdict"]]
    head = f"{found.setup.title} {found.direction}: " + (
        f"no setup; {len(missed)} of {len(found.rules)} rules missed: {', '.join(missed)}"
        if missed
        else f"set aside: {found.set_aside}"
        if found.set_aside
        else f"qualified, {found.evidence_points} of {found.evidence_total} points of evidence"
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
    if found.plan is None:
        return lines
    around = [row[:4] + row[5:] for row in _rows(found.surroundings, "no")]
    lines += [
        "",
        *table(("surroundings", "holds", "measured", "wanted", "what is measured"), around, left=(0, 1, 3, 4)),
    ]
    if missed:
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
    lines += ["", *table(("entry", "price", "R", "1R at", "2R at", "3R at", "room", "size"), entries)]
    lines += ["", *(f"{style:9} {entry['reason']}" for style, entry in plan.entries.items())]
    lines += [
        f"{style:9} {'obstacle ' + entry['obstacle'] if entry['obstacle'] else 'no obstacle'}: {entry['obstacle_text']}"
        + (f"; being broken: {', '.join(entry['being_broken'])}" if entry["being_broken"] else "")
        for style, entry in plan.entries.items()
        if entry["price"]
    ]
    lines += [
        f"stop      {plan.levels['stop']}: {plan.level_reasons['stop']}",
        f"exit      {plan.exit_plan['style']}: {plan.exit_plan['reason']}",
        f"size      {next(iter(plan.entries.values()))['size_reason']}",
    ]
    return lines
