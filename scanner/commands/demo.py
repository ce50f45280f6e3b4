"""``closewatch demo``: the bundled feed of invented instruments, end to end."""

from __future__ import annotations

from decimal import Decimal
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from scanner import settings
from scanner.commands import output, replay
from scanner.commands.recordings import Reading
from scanner.ports import Message
from scanner.present.replay_report import Report
from scanner.present.words import alert
from scanner.trade.size import Account

if TYPE_CHECKING:
    from scanner.events import Event
    from scanner.market.guard import Note

SHOWN = 12
"""Setups shown at the end of the table."""

ACCOUNT = Account(equity=Decimal(50_000), currency="XTS", fx={"EUR": Decimal("1.25")})
"""As invented as the rest."""


def _no_word(note: Note) -> None:
    """Leave single rows to the summary: a demo is read at a glance."""


def run() -> None:
    """Replay the demo feed, show the last setups and the one with most evidence in words."""
    with as_file(files("demo_feed")) as folder:
        known = settings.load(folder / "instruments.toml")
        paths = sorted(path for path in folder.iterdir() if path.suffix in {".parquet", ".csv"})
        output.say(
            "Two years of 15-minute bars of invented instruments on an invented exchange: made by a script, traded by",
            "nobody. Every bar goes through the same engine as a live one.",
            "",
        )
        events: list[Event] = []
        tallies = replay.gather(paths, Reading(settings=known, account=ACCOUNT), _no_word, events.append)
    setups = sorted((event for event in events if event.kind == "setup.qualified"), key=lambda event: event.time)
    best = max(setups, key=lambda event: (event.data["evidence_points"], event.time))
    instrument = best.data["instrument"]
    output.say(
        "The setup with most evidence, as it is told:",
        "",
        *("    " + line for line in alert(Message(best), "UTC", known.of(instrument).calendar.tz).plain().splitlines()),
        "",
        f"The last {min(SHOWN, len(setups))} of {len(setups)} setups, times in UTC:",
        "",
    )
    shown = Report("UTC")
    for event in [*setups[-SHOWN:], *(event for event in events if event.kind != "setup.qualified")]:
        shown.add(event)
    replay.report(shown, tallies)
    output.say(
        "",
        "Next: closewatch replay FILE        with bars of your own",
        "      closewatch explain FILE --at TIME        why a bar was, or was not, a setup",
    )
