"""A study takes its place among the looks at its bars: it is noted in their ledger, and told what stands there."""

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
    """How many looks at the bars of a study there are, itself included, and the hypotheses that it judges.

    ``told`` are sentences on what could not be read or written, and on hypotheses that were written for other rules.
    ``ledger`` is where it was written, None where it could not be: there may have been more looks.
    """

    ledger: Path | None
    looks: int
    hypotheses: tuple[Hypothesis, ...]
    told: tuple[str, ...]

    def on(self, report: Report) -> Report:
        """Let the verdict of a report say where looks could not be counted."""
        if self.ledger is not None:
            return report
        verdict = report.verdict
        return replace(report, verdict=replace(verdict, sentence=f"{verdict.sentence} {UNCOUNTED}"))


def note(paths: Sequence[Path], look: Look) -> Noted:
    """Write a study into the ledger of its files, and see which looks and hypotheses stand there."""
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
        f"the hypothesis {each.name} is not judged here: it was written for {each.asked.words}, with other numbers, "
        "costs or options"
        for each in others
    ]
    return Noted(path, count_looks(ledger.looks, look), hypotheses, (*trouble, *ledger.troubles, *apart))
