"""``closewatch explain``: why there was, or was not, a setup at a bar."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.recorded.one_bar import Recorded, is_day
from scanner.present.reports import explain_report
from scanner.present.words.sent_words import sent
from scanner.store import Store
from scanner.wording.cautions import SHORT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.commands.recorded.one_bar import OneBar
    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.replays.recordings import Reading


def run(paths: Sequence[Path], reading: Reading, at: str, instrument: str | None) -> None:
    """Explain one bar of one recording in both directions, or summarize each bar of a day."""
    recorded = Recorded.read(paths, reading, at, instrument)
    if is_day(at) and recorded.timeframe.intraday:
        _day(recorded, at, reading.tz)
    else:
        _bar(recorded.at(at, reading.tz), reading)
    output.say("", SHORT)


def _day(recorded: Recorded, at: str, zone: str) -> None:
    rows, odd = [], []
    for asked in recorded.of_day(at, zone):
        reported = reported_at(asked)
        odd += _suspected(asked, zone)
        rows.append(
            explain_report.row(
                asked.bars, asked.index, asked.tally, zone, unready_at(asked, reported), asked.engine.judge_last()
            )
        )
    output.say(*explain_report.day(at, zone, recorded.tally, rows))
    if odd:
        output.say("", *odd)


def _bar(asked: OneBar, reading: Reading) -> None:
    engine, bars, index, tally = asked.engine, asked.bars, asked.index, asked.tally
    judged, reported = engine.judge_last(), reported_at(asked)
    setups = [chosen.setup for chosen in engine.rulebook.setups]
    output.say(
        explain_report.opening(bars, index, tally, reading.tz, unready_at(asked, reported), judged),
        "",
        *explain_report.bar(bars, index, setups, tally, reading.tz),
        *_suspected(asked, reading.tz),
    )
    for event in reported:
        if reading.settings is not None:
            output.say("", *sent_of(event, reading.settings))
    for found in judged:
        output.say("", *explain_report.judgement(found))
    for event in asked.said:
        if event.facts.ahead and event.time == bars.close_time[index]:
            output.say("", *explain_report.ahead(event))


def reported_at(asked: OneBar) -> list[Event]:
    """Give the setups reported at the bar, qualified or set aside."""
    closed = int(asked.bars.close_time[asked.index])
    return [event for event in asked.said if event.facts.begins and event.time == closed]


def _suspected(asked: OneBar, zone: str) -> list[str]:
    """Say what is odd about the bar if it may be a bad tick."""
    closed = asked.bars.close_time[asked.index]
    return [
        explain_report.suspected(asked.bars, asked.index, asked.tally, zone, each.text)
        for each in asked.engine.suspects
        if each.close_time == closed
    ]


def unready_at(asked: OneBar, reported: Sequence[Event]) -> str:
    """Say what prevents a report at the bar, even if the rules hold; empty if nothing does."""
    holds = [event for event in asked.said if event.facts.about == "series"]
    if holds and holds[-1].kind == "series.held":
        return f"on hold since {holds[-1].data['bar_open']}: {holds[-1].data['reason']}"
    if not asked.engine.warm and not reported:
        return (
            f"{asked.engine.series.count} of the {asked.engine.rulebook.rules.warm_up} bars of the warm-up have closed"
        )
    return ""


def sent_of(event: Event, known: Settings) -> list[str]:
    """Say what the station of a configuration did with a setup."""
    if not known.store_path.is_file():
        return [f"Not sent: no station of this configuration has run, since there is no store {known.store_path}."]
    with Store.open(known.store_path, time.time_ns, visiting=True) as store:
        story = [each for each in store.events.story(event.thread) if each.event.facts.begins]
        deliveries = [store.outbox.of_event(each.event.id) for each in story]
        bundled = {each.number: store.outbox.sent_with(each) for own in deliveries for each in own}
    return sent(list(zip(story, deliveries, strict=True)), bundled, known.station.stale_after, known.station.zone)
