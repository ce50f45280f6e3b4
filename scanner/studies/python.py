"""Studies from Python: of files, or of tables of bars in memory."""

from __future__ import annotations

import time
import warnings
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from scanner.configuration.model.settings import load
from scanner.configuration.model.wrong_setups import try_own_setups
from scanner.replays.recordings import FRAME, Reading
from scanner.studies.checked import left_out
from scanner.studies.kept.asking import look_of
from scanner.studies.kept.noting import note
from scanner.studies.running import How, StudyError, study_files, study_frames
from scanner.studies.stories.collecting import Asked
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Sequence
    from decimal import Decimal

    from scanner.studies.schema import Study


def study(
    bars: str | Path | Sequence[str | Path] | pd.DataFrame | Mapping[str, pd.DataFrame],
    *,
    config: str | Path | None = None,
    calendar: str = "none",
    timeframe: str | None = None,
    step: Decimal | None = None,
    out: str | Path | None = None,
    workers: int = 1,
    cluster: str = "",
    seed: int = 0,
) -> Study:
    """Study the results of setups on recorded bars; return the tables ``trades`` and ``members`` as DataFrames.

    ``bars`` are files or folders, or tables such as ``scanner.find_setups`` takes: one, or several by instrument. Times
    are those of the opening, in UTC if they name no zone. ``config``, ``calendar``, ``timeframe`` and ``step`` are
    as for ``closewatch study``, and so are ``out`` (where parts are kept so that a study can resume),
    ``workers`` (0 for as many processes as there are cores) and ``cluster``, for files. A study of files is noted in
    the ledger of looks beside them; a warning says if that failed, and others what was left out.
    More than one process needs the usual ``if __name__ == "__main__":`` in the program. StudyError says in a sentence
    what cannot be read, SettingsError or SetupError what is wrong with the configuration or a setup of the user's own.

    >>> days = pd.date_range("2024-01-01", periods=300)
    >>> quiet = pd.DataFrame(dict.fromkeys(("Open", "High", "Low", "Close"), 10.0), index=days)
    >>> len(study({"GANNET": quiet}).trades)
    0
    """
    known = None if config is None else load(Path(config))
    if known is not None:
        try_own_setups(known)
    reading = Reading(
        calendar=calendar,
        step=step,
        timeframes=() if timeframe is None else (timeframe,),
        settings=known,
        rulebook=Rulebook() if known is None else known.rulebook_of(),
    )
    files: list[Path] = []
    asked, how = Asked(seed=seed), How(None if out is None else Path(out), workers, cluster)
    if isinstance(bars, pd.DataFrame | Mapping):
        frames = {FRAME: bars} if isinstance(bars, pd.DataFrame) else bars
        found, troubles = study_frames(replace(reading, frames=frames), asked, how)
    else:
        paths = [bars] if isinstance(bars, str | Path) else bars
        files = [Path(path) for path in paths]
        found, troubles = study_files(files, reading, asked, how)
    if troubles:
        raise StudyError("; ".join(troubles))
    for sentence in left_out(found.checked, found.unjudged):
        warnings.warn(sentence, stacklevel=2)
    if files:
        noted = note(files, look_of(found, reading, "" if config is None else Path(config).name, time.time_ns()))
        for sentence in noted.told:
            warnings.warn(sentence, stacklevel=2)
    return found
