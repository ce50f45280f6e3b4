"""The question about bars as a line of the ledger: from a study, or from a hypothesis before any look."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.studies.kept.ledger import BarsRead, Look, StudyQuestion
from scanner.studies.kept.marks import books_of, mark_of, rules_marks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.replays.recordings import Reading
    from scanner.studies.schema import Study


def look_of(study: Study, reading: Reading, config: str, now: int) -> Look:
    """Describe what a study asked. ``config`` is the name of the configuration, empty without one."""
    asked = question_of(reading, study.instruments, study.timeframes, config, study.seed)
    bars = BarsRead(files=study.files, instruments=study.instruments, first=study.first, last=study.last)
    return Look(at=now, asked=asked, variants=len(study.variants) - 1, bars=bars)


def question_of(
    reading: Reading, instruments: Sequence[str], timeframes: Sequence[str], config: str, seed: int = 0
) -> StudyQuestion:
    """Describe the question about instruments and timeframes by the rules of a reading, also in words."""
    books = books_of(reading.settings, reading.rulebook, instruments).values()
    setups = sorted({chosen.setup.title for book in books for chosen in book.setups})
    styles = sorted({book.rules.entry_style for book in books})
    by = f"by {config}" if config else "by the default rules"
    step = None if reading.step is None else str(reading.step)
    return StudyQuestion(
        words=f"{', '.join(setups)} on {', '.join(timeframes)}, {' or '.join(styles)} entry, {by}",
        rules=rules_marks(reading.settings, reading.rulebook, instruments),
        timeframes=tuple(timeframes),
        reading=mark_of(reading.tz, reading.stamp, reading.time_format, reading.calendar, step),
        seed=seed,
    )
