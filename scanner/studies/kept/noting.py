"""Note a study among the looks at its bars, and read the earlier ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from scanner.studies.kept.ledger import NAME, Ledger, LedgerError, add, count_looks, folder_of, read, to_judge

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.studies.figures.results import Hypothesis, Report
    from scanner.studies.kept.ledger import Look

UNCOUNTED = "Earlier looks at these bars could not be counted."


@dataclass(frozen=True, slots=True)
class Noted:
    """The number of looks at the bars of a study, itself included, and the hypotheses that it tests.

    ``told`` are sentences on what could not be read or written, and on hypotheses for other rules. ``ledger`` is where
    it was noted, None if that failed: there may have been more looks.
    """

    ledger: Path | None
    looks: int
    hypotheses: tuple[Hypothesis, ...]
    told: tuple[str, ...]

    def on(self, report: Report) -> Report:
        """Add to the verdict of a report that looks could not be counted, if so."""
        if self.ledger is not None:
            return report
        verdict = report.verdict
        return replace(report, verdict=replace(verdict, sentence=f"{verdict.sentence} {UNCOUNTED}"))


def note(paths: Sequence[Path], look: Look) -> Noted:
    """Note a study in the ledger of its files, and read the looks and hypotheses there."""
    trouble: list[str] = []
    path: Path | None = folder_of(paths) / NAME
    try:
        ledger = add(paths, look)
    except LedgerError as problem:
        path = None
        trouble.append(str(problem))
        try:
            ledger = read(paths)
        except LedgerError:
            ledger = Ledger()
    hypotheses, others = to_judge(ledger, look)
    apart = [
        f"the hypothesis {each.name} is not tested here: it was recorded for {each.asked.words}, with other settings, "
        "costs or options"
        for each in others
    ]
    return Noted(path, count_looks(ledger.looks, look), hypotheses, (*trouble, *ledger.troubles, *apart))
