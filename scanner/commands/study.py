"""``closewatch study``: what setups came to on recorded bars, beside what chance came to on the same bars."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from pyarrow import Table, parquet

from scanner.commands import output
from scanner.commands.trouble import DONE, UNUSABLE, UsageError
from scanner.engine import needs_compiling
from scanner.present.cautions import SHORT
from scanner.present.study_summary import summary
from scanner.studies.running import How, study_files

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.recordings import Reading
    from scanner.studies.collecting import Asked
    from scanner.studies.schema import Study

FOLDER = Path("study")
"""Where a study is written, where nothing else is said."""


def run(paths: Sequence[Path], reading: Reading, asked: Asked, how: How) -> int:
    """Study files of bars, write the tables to the folder, and say what came of it; gives the exit code.

    What could not be read is told and ends nothing, but the exit code says that something is to be mended.
    """
    out = how.folder or FOLDER
    if out.exists() and not out.is_dir():
        raise UsageError(f"--out {out}: it is a file; name a folder")
    output.announce_compiling(needed=needs_compiling(reading.rulebook))
    if reading.settings is not None:
        reading.settings.try_own_setups()
    with output.progress("studying") as on_progress:
        study, troubles = study_files(paths, reading, asked, How(out, how.workers, how.cluster), on_progress)
    written = write_tables(study, out)
    output.say(*summary(study), "", f"written to {out}: {', '.join(written)}", "", SHORT)
    if troubles:
        output.tell(*troubles)
    return UNUSABLE if troubles else DONE


def write_tables(study: Study, folder: Path) -> list[str]:
    """Write the tables of a study, each file as a whole; gives the names of the files."""
    files = {
        "TRADES.parquet": _parquet(Table.from_pandas(study.trades, preserve_index=False)),
        "TRADES.csv": study.trades.to_csv(index=False).encode(),
        "MEMBERS.parquet": _parquet(Table.from_pandas(study.members, preserve_index=False)),
    }
    for name, content in files.items():
        output.write_whole(folder / name, content)
    return list(files)


def _parquet(table: Table) -> bytes:
    sink = BytesIO()
    parquet.write_table(table, sink)
    return sink.getvalue()
