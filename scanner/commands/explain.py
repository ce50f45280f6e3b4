"""``closewatch explain``: why there was a setup at a bar, or why there was none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.one_bar import find
from scanner.engine import BARS_JUDGED
from scanner.present import explain_report
from scanner.present.cautions import SHORT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.commands.recordings import Reading


def run(paths: Sequence[Path], reading: Reading, at: str, instrument: str | None) -> None:
    """Explain one bar of one recording in both directions."""
    asked = find(paths, reading, at, instrument)
    engine, bars, index, tally = asked.engine, asked.bars, asked.index, asked.tally
    for event in engine.events(bars[: index + 1]):
        if event.kind == "series.held":
            output.say(f"On hold since {event.data['bar_open']}: {event.data['reason']}.")
    output.say(*explain_report.bar(bars, index, tally, reading.tz))
    if index + 1 < BARS_JUDGED:
        output.say(f"Bar {index + 1} of the series: a setup needs {BARS_JUDGED} bars to look at.")
        return
    if not engine.series.warm:
        output.say(
            f"Not warm: {engine.series.count} of {engine.rules.warm_up} bars seen, so nothing is reported here, "
            "whatever the rules below say."
        )
    for sign in (1, -1):
        found = engine.judge(sign)
        if found is not None:
            output.say("", *explain_report.judgement(found))
    output.say("", SHORT)
