"""Why there was a setup at a bar, or why not: every rule with its value and its threshold, held or missed."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING, Any

from scanner.present.glance.acting import sized
from scanner.present.words.setup_words import at_place
from scanner.wording.tables import NOTHING, table
from scanner.wording.text import plain
from scanner.wording.times import bar_time, is_daily
from scanner.wording.words import counted, number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.analysis.door.setup import Setup
    from scanner.event_data import FormingData, Measure
    from scanner.events import Event
    from scanner.judgement import Judgement
    from scanner.market.bars import Bars
    from scanner.replays.replay import Tally

HELD, MISSED = "yes", "NO"
SHOWN = 3
"""Bars shown if several setups are explained."""


def opening(bars: Bars, index: int, tally: Tally, zone: str, unready: str, judged: Sequence[Judgement]) -> str:
    """Give the result of a bar in one sentence."""
    told = unready and f"nothing is reported ({unready})"
    stood = "; ".join(stands(found) for found in judged if found.holds)
    when = f"{_named(bars, index, tally, zone)} ({zone})"
    return f"{plain(tally.symbol)} {tally.timeframes[0]}, {when}: {told or stood or nearest_in_words(judged)}."


def suspected(bars: Bars, index: int, tally: Tally, zone: str, text: str) -> str:
    """Say what is odd about a bar that may be a bad tick."""
    return f"The bar of {_named(bars, index, tally, zone)} is a suspected bad tick: {text}."


def _named(bars: Bars, index: int, tally: Tally, zone: str) -> str:
    return bar_time(int(bars.open_time[index]), int(bars.close_time[index]), zone, tally.timeframes[0])


def stands(found: Judgement) -> str:
    """Give the state of a setup whose rules all hold."""
    if found.set_aside:
        return f"a {found.direction} {found.setup.title} met all rules but was set aside: {found.set_aside}"
    return f"a {found.direction} {found.setup.title} qualified{at_place(found.place)}"


def held_in_words(found: Judgement) -> str:
    """Say in a few words what came of a setup whose rules all hold."""
    if found.set_aside:
        return f"set aside: {found.set_aside}"
    return f"qualified, {found.evidence_points} of {found.evidence_total} points of evidence"


def nearest_first(judged: Sequence[Judgement]) -> list[Judgement]:
    """Sort setups by the part of their rules that failed."""
    return sorted(judged, key=lambda each: len(missed_rules(each)) / len(each.rules))


def missed_rules(found: Judgement) -> list[str]:
    """Name the failed rules of a setup."""
    return [name for name, rule in found.rules.items() if not rule["verdict"]]


def nearest_in_words(judged: Sequence[Judgement]) -> str:
    """Name the setup with the fewest failed rules, and these rules."""
    if not judged:
        return "there are too few bars to look at"
    found = nearest_first(judged)[0]
    missed = missed_rules(found)
    return (
        f"no setup. The nearest was a {found.direction} {found.setup.title}, which missed {len(missed)} of "
        f"{len(found.rules)} rules: {', '.join(missed)}"
    )


def row(bars: Bars, index: int, tally: Tally, zone: str, unready: str, judged: Sequence[Judgement]) -> tuple[str, ...]:
    """Give the row of a bar in the table of its day."""
    when = _named(bars, index, tally, zone)
    close = f"{bars.close[index]:.10g}"
    if unready or not judged:
        return when, close, NOTHING, NOTHING, unready or "too few bars"
    found = nearest_first(judged)[0]
    missed = missed_rules(found)
    name = f"{found.setup.title} {found.direction}"
    if missed:
        return when, close, name, f"{len(missed)} of {len(found.rules)}", ", ".join(missed)
    return when, close, name, "none", f"set aside: {found.set_aside}" if found.set_aside else "qualified"


def day(at: str, zone: str, tally: Tally, rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Give all bars of a day, each with the setup that had the fewest failed rules."""
    symbol, heads = plain(tally.symbol), ("closed", "close", "nearest setup", "misses", "which rules")
    found = sum(each[-1] == "qualified" for each in rows)
    aside = sum(each[-1].startswith("set aside: ") for each in rows)
    about = f"{symbol} {tally.timeframes[0]}, {counted(len(rows), 'bar')} of {at} ({zone})"
    return [
        f"{about}: {found} with a setup that qualified, {aside} with one that was set aside.",
        "",
        *table(heads, rows, left=(0, 2, 3, 4)),
        "",
        f"With a time, such as --at {rows[0][0].replace(' ', 'T')}, one bar is explained rule by rule.",
    ]


def bar(bars: Bars, index: int, setups: Sequence[Setup[Any]], tally: Tally, zone: str) -> list[str]:
    """Give the explained bar and those before it; for a single setup, with their letters."""
    daily = is_daily(tally.timeframes[0])
    named = [name for _, name in setups[0].bars] if len(setups) == 1 else [""] * SHOWN
    first = max(index + 1 - len(named), 0)
    names = named[first - index - 1 :]
    rows = [
        (
            name,
            _named(bars, i, tally, zone),
            *(f"{column[i]:.10g}" for column in (bars.open, bars.high, bars.low, bars.close)),
            "-" if isnan(bars.volume[i]) else f"{bars.volume[i]:,.15g}",
        )
        for i, name in zip(range(first, index + 1), names, strict=True)
    ]
    heads: Sequence[str] = ("as", "day" if daily else "closed", "open", "high", "low", "close", "volume")
    if len(setups) == 1:
        return table(heads, rows, left=(0, 1))
    return table(heads[1:], [row[1:] for row in rows], left=(0,))


def missed_by(measure: Measure) -> str:
    """Say by how much a measure misses its threshold; empty if it holds or nothing was measured.

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


def _without_distance(what: str, measures: Mapping[str, Measure]) -> list[str]:
    rows = [row[:4] + row[5:] for row in _rows(measures, "no")]
    return table((what, "holds", "measured", "wanted", "what is measured"), rows, left=(0, 1, 3, 4))


def ahead(event: Event) -> list[str]:
    """Give the announcement at this bar of a setup that the next bar may complete."""
    data: FormingData = event.data
    return [f"{data['title']} {data['direction']}: forming", "", *(f"    {each['text']}" for each in data["must"])]


def judgement(found: Judgement) -> list[str]:
    """Explain one direction at one bar."""
    missed = missed_rules(found)
    failed = f"no setup; {len(missed)} of {len(found.rules)} rules missed: {', '.join(missed)}"
    lines = [
        f"{found.setup.title} {found.direction}: {failed if missed else held_in_words(found)}",
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
    lines += ["", *_without_distance("surroundings", found.surroundings)]
    if missed:
        return lines
    lines += ["", *_without_distance("evidence", found.evidence)]
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
    lines += [f"{style:9} size {sized(entry['size'])}: {entry['size_reason']}" for style, entry in plan.entries.items()]
    lines += [
        f"followed  {plan.style}",
        f"stop      {plan.levels['stop']}: {plan.level_reasons['stop']}",
        f"exit      {plan.exit_plan['style']}: {plan.exit_plan['reason']}",
    ]
    lines += [f"spoiled   {found.spoiled_by}"] if found.spoiled_by else []
    return lines + [f"caution   {warning}" for warning in found.warnings]
