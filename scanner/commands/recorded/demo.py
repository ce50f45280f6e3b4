"""``closewatch demo``: the bundled feed of invented instruments, end to end."""

from __future__ import annotations

from decimal import Decimal
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.recorded import replay
from scanner.configuration.model import settings
from scanner.ports import Message
from scanner.present.reports.replay_report import ReplayReport, summary
from scanner.present.words.words import alert
from scanner.replays.recordings import Reading
from scanner.trade.size import Account

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Event

SHOWN, SHOWN_ASIDE = 12, 4
"""How many of the last setups, and of the last set aside, are shown."""

ACCOUNT = Account(equity=Decimal(50_000), currency="XTS", fx={"EUR": Decimal("1.25")})
"""Invented too."""


def run() -> None:
    """Replay the demo feed, show the last setups, and one of them in full."""
    with as_file(files("demo_feed")) as folder:
        known = settings.load(folder / "instruments.toml")
        paths = sorted(path for path in folder.iterdir() if path.suffix in {".parquet", ".csv"})
        output.say(
            "Two years of 15-minute bars of invented instruments on an invented exchange: from a script, never traded.",
            "Every bar goes through the same engine as a live one.",
            "",
        )
        events: list[Event] = []
        shown, reading = ReplayReport("UTC"), Reading(settings=known, account=ACCOUNT)
        # Single rows are left to the summary, to keep the demo short.
        tallies, _ = replay.gather(paths, reading, lambda _: None, events.append, shown.learn, tells_stories=False)
    events.sort(key=lambda event: event.time)
    setups = [event for event in events if event.kind == "setup.qualified"]
    aside = [event for event in events if event.kind == "setup.set_aside"]
    rest = [event for event in events if event.kind not in {"setup.qualified", "setup.set_aside"}]
    for event in [*setups[-SHOWN:], *aside[-SHOWN_ASIDE:], *rest]:
        shown.add(event)
    output.say(
        f"The last {min(SHOWN, len(setups))} of {len(setups)} setups, and the last {min(SHOWN_ASIDE, len(aside))} of "
        f"{len(aside)} set aside; times in UTC:",
        "",
        *shown.lines(output.width()),
        *summary(tallies, shown.zone),
    )
    _tell(example(setups), known)


def example(setups: Sequence[Event]) -> Event:
    """Choose the setup with the least against it; among equals, the one with most evidence; among those, the last."""

    def holding(event: Event) -> int:
        return sum(measure["verdict"] for measure in event.data["surroundings"].values())

    return max(setups, key=lambda event: (holding(event), event.data["evidence_points"], event.time))


def _tell(event: Event, known: settings.Settings) -> None:
    instrument, timeframe, closed = (event.data[key] for key in ("instrument", "timeframe", "bar_close"))
    words = alert(Message(event), "UTC", known.of(instrument).calendar.tz).plain()
    output.say(
        "",
        "One setup as in its alert, picked because the least speaks against it, which says nothing about its outcome:",
        "",
        *(f"    {line}".rstrip() for line in words.splitlines()),
        "",
        "Draw it, in the project's folder:",
        f"  closewatch chart demo_feed/{instrument}.parquet --config demo_feed/instruments.toml "
        f"--timeframe {timeframe} --at {closed}",
        "Look at your own bars:",
        "  closewatch replay FILE",
        "See why a bar was, or was not, a setup:",
        "  closewatch explain FILE --at TIME",
    )
