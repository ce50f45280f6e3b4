"""``closewatch explain``: why there was a setup at a bar, or why there was none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.one_bar import find
from scanner.present import explain_report
from scanner.present.cautions import SHORT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.recordings import Reading


def run(paths: Sequence[Path], reading: Reading, at: str, instrument: str | None) -> None:
    """Explain one bar of one recording in both directions."""
    asked = find(paths, reading, at, instrument)
    engine, bars, index, tally = asked.engine, asked.bars, asked.index, asked.tally
    holds = [event for event in asked.said if event.facts.about == "series"]
    if holds and holds[-1].kind == "series.held":
        output.say(f"On hold since {holds[-1].data['bar_open']}: {holds[-1].data['reason']}.")
    setups = [chosen.setup for chosen in engine.rulebook.setups]
    output.say(*explain_report.bar(bars, index, setups, tally, reading.tz))
    judged = engine.judge_last()
    if not judged:
        output.say(f"Bar {engine.series.count} of the series: there are too few bars to look at.")
        return
    if not engine.warm:
        output.say(
            f"Not warm: {engine.series.count} of {engine.rulebook.rules.warm_up} bars seen, so nothing is reported "
            "here, whatever the rules below say."
        )
    for found in judged:
        output.say("", *explain_report.judgement(found))
    for event in asked.said:
        if event.facts.ahead and event.time == bars.close_time[index]:
            output.say("", *explain_report.ahead(event))
    output.say("", SHORT)
