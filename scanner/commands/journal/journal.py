"""``closewatch journal`` and ``closewatch review``: a look back at the store, beside the running station."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from scanner.analysis.door.known_setups import known
from scanner.commands import output
from scanner.commands.trouble import UsageError
from scanner.journal.entries import by_story, entry_of
from scanner.journal.review import DAYS, day_of, days_up_to, midnight, to_review
from scanner.journal.review import review as looked_back
from scanner.journal.stories import short_ids, stories
from scanner.present.reports.journal_files import as_csv, as_json, as_parquet
from scanner.present.reports.journal_html import Told, page
from scanner.present.reports.journal_report import journal_table, review_lines
from scanner.wording.text import plain
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from scanner.commands.station.which_store import StoreChoice
    from scanner.journal.entries import JournalEntry
    from scanner.store import Store

SHOWN = 40
SUFFIXES = (".csv", ".json", ".parquet", ".html")


@dataclass(frozen=True, slots=True)
class Filter:
    """Which setups: those found from day ``since`` to day ``until``, of one kind, instrument or decision."""

    since: str | None
    until: str | None
    setup: str | None
    instrument: str | None
    decision: Literal["taken", "passed"] | None

    def fits(self, entry: JournalEntry) -> bool:
        """Whether an entry is selected, apart from its time."""
        return (
            (self.setup is None or entry.setup == self.setup)
            and (self.instrument is None or entry.instrument == self.instrument)
            and (self.decision is None or entry.decision == self.decision)
        )


def journal(choice: StoreChoice, asked: Filter, out: Path | None) -> None:
    """Print the journal, or write it to a file."""
    if out is not None and out.suffix.lower() not in SUFFIXES:
        raise UsageError(f"--out {out}: the name must end in {', '.join(SUFFIXES)}, which sets the format")
    since = None if asked.since is None else midnight(_day(asked.since, "--since"), choice.zone)
    until = None if asked.until is None else midnight(_day(asked.until, "--until") + timedelta(1), choice.zone)
    if since is not None and until is not None and since >= until:
        raise UsageError(f"--since {asked.since} is later than --until {asked.until}")
    with choice.visited() as store:
        told = []
        made = by_story(store.decisions.all())
        for story in stories(store.events.stories(since=since, until=until, instrument=asked.instrument)):
            mine = made.get(story.id, [])
            entry = entry_of(story, mine)
            found = entry.found
            if asked.fits(entry) and (since is None or since <= found) and (until is None or found < until):
                told.append(Told(story, mine, entry))
        told.sort(key=lambda each: each.entry.found)
        if not told and asked.setup is not None and asked.setup not in known():
            raise UsageError(
                f"--setup {plain(asked.setup, SHOWN)}: no setup of this name was found; `closewatch setups` lists all"
            )
        if not told:
            output.tell("No setup matches; nothing was written." if out else "No setup matches.")
            return
        if out is None:
            output.say(*journal_table([each.entry for each in told], choice.zone, output.width()))
            return
        output.write_whole(out, _written(choice, store, told, out.suffix.lower()), private=True)
    output.say(f"{out}: {counted(len(told), 'setup')}.")


def _written(choice: StoreChoice, store: Store, told: Sequence[Told], suffix: str) -> bytes:
    entries = [each.entry for each in told]
    if suffix == ".html":
        from scanner.commands.journal.journal_charts import with_charts  # noqa: PLC0415 - drawing is heavy

        name = f"Journal of {choice.known.station.name}" if choice.known else "Journal"
        ids = short_ids([each.id for each in entries])
        return page(name, with_charts(choice, store, told), choice.zone, ids).encode()
    return {".csv": as_csv, ".json": as_json, ".parquet": as_parquet}[suffix](entries)


def review(choice: StoreChoice, span: str, until: str | None) -> None:
    """Print the results of a week or a month, up to a given day or today."""
    if span not in DAYS:
        raise UsageError(f"{plain(span, SHOWN)}: say {' or '.join(DAYS)}")
    today = datetime.now(UTC).astimezone(ZoneInfo(choice.zone)).date()
    first, end = days_up_to(today if until is None else _day(until, "--until"), span, choice.zone)
    with choice.visited() as store:
        made = store.decisions.all()
        found = looked_back(to_review(store, made, first, end), made, first, end)
    output.say(*review_lines(found, choice.zone))


def _day(text: str, option: str) -> date:
    try:
        return day_of(text)
    except ValueError:
        raise UsageError(f"{option} {text}: write a day such as 2026-03-02") from None
