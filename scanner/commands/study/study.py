"""``closewatch study``: the results of setups on recorded bars, compared with chance on the same bars."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from pyarrow import Table, parquet

from scanner.commands import output
from scanner.commands.ready import compile_once
from scanner.commands.study.study_gallery import charts_of
from scanner.commands.trouble import DONE, UNUSABLE, UsageError
from scanner.present.reports.study_summary import summary
from scanner.present.study.honesty import measured
from scanner.present.study.page import page
from scanner.present.study.stories import choose
from scanner.replays.contradictions import unconfigured
from scanner.studies.figures.report import report_of
from scanner.studies.kept.asking import look_of
from scanner.studies.kept.keeping import record_of
from scanner.studies.kept.marks import rules_marks
from scanner.studies.kept.noting import note
from scanner.studies.kept.record import beside, report_beside
from scanner.studies.running import How, study_files
from scanner.wording.cautions import SHORT
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.configuration.model.settings import Settings
    from scanner.replays.recordings import Reading
    from scanner.studies.figures.results import Report
    from scanner.studies.schema import Study
    from scanner.studies.stories.collecting import Asked

FOLDER = Path("study")
"""Where a study is written by default."""
REPORT = "REPORT.html"


def run(
    paths: Sequence[Path], reading: Reading, asked: Asked, how: How, config: str, now: int, *, keep: bool = False
) -> int:
    """Study files of bars, write tables and report to the folder, and print the result; return the exit code.

    ``config`` is the name of the configuration, empty without one; with ``keep`` a record is left beside its store.
    ``now`` is in nanoseconds since 1970 UTC. A file that cannot be read is named and does not stop the study, but the
    exit code shows it.
    """
    out = how.folder or FOLDER
    if out.exists() and not out.is_dir():
        raise UsageError(f"--out {out}: it is a file; give a folder")
    if keep and reading.settings is not None and not (store := reading.settings.store_path).parent.is_dir():
        raise UsageError(f"--keep: there is no folder {store.parent} for the store of {config}; make it first")
    compile_once([reading.rulebook], reading.settings)
    with output.progress("studying") as on_progress:
        study, troubles = study_files(paths, reading, asked, How(out, how.workers, how.cluster), on_progress)
    noted = note(paths, look_of(study, reading, config, now))
    report = noted.on(report_of(study, looks=noted.looks, hypotheses=noted.hypotheses))
    written = write_tables(study, report, out)
    undrawn = write_report(study, report, paths, reading, out / REPORT)
    output.say(*summary(study, report, reading.tz), "")
    output.say(f"written to {out}: {', '.join(written)}, and {REPORT}, the report to read")
    if noted.ledger is not None:
        output.say(f"noted in {noted.ledger}: {counted(noted.looks, 'look')} at these bars, this one included")
    if keep and reading.settings is not None:
        output.say(f"kept for alerts: {keep_record(study, reading.settings, noted.looks, now)}")
        kept = report_beside(reading.settings.store_path)
        output.write_whole(kept, (out / REPORT).read_bytes(), private=True)
        output.say(f"kept for the page: {kept}")
    output.say("", SHORT)
    output.tell(*noted.told, *troubles, *undrawn, *unconfigured(reading.settings, study.instruments))
    return UNUSABLE if troubles else DONE


def write_tables(study: Study, report: Report, folder: Path) -> list[str]:
    """Write the tables and figures of a study, never half a file; return the names of the files."""
    files = {
        "FIGURES.json": report.to_json(),
        "TRADES.parquet": _parquet(Table.from_pandas(study.trades, preserve_index=False)),
        "TRADES.csv": study.trades.to_csv(index=False).encode(),
        "MEMBERS.parquet": _parquet(Table.from_pandas(study.members, preserve_index=False)),
    }
    for name, content in files.items():
        output.write_whole(folder / name, content)
    return list(files)


def write_report(study: Study, report: Report, paths: Sequence[Path], reading: Reading, target: Path) -> list[str]:
    """Write the report, with charts of some stories; return a sentence if some could not be drawn."""
    stories = choose(study)
    with output.progress("drawing stories") as on_progress:
        shown, undrawn = charts_of(stories, paths, reading, on_progress)
    output.write_whole(target, page(study, report, shown, measured()).encode())
    return [undrawn] if undrawn else []


def keep_record(study: Study, settings: Settings, looks: int, now: int) -> Path:
    """Save the record of a study beside the store of a configuration, for its alerts; return its path."""
    path = beside(settings.store_path)
    rules = rules_marks(settings, settings.rulebook_of(), study.instruments)
    output.write_whole(path, record_of(study, rules, looks, now).to_bytes(), private=True)
    return path


def _parquet(table: Table) -> bytes:
    sink = BytesIO()
    parquet.write_table(table, sink)
    return sink.getvalue()
