"""Make the record of a study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.studies.figures.verdict import judged_setups, verdict_of
from scanner.studies.kept.record import KindRecord, Record

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.schema import Study

BY = ("setup", "direction", "timeframe")
"""What distinguishes kinds of setup. The timeframe is included, since costs in R depend on it more than on anything
else."""


def record_of(study: Study, rules: Sequence[str], looks: int, now: int) -> Record:
    """Make the record of a study by the ``rules`` with these marks, at ``now`` (nanoseconds since 1970 UTC).

    The reader of an alert looks at one kind of many: each kind but the first counts as one more of the ``looks``.
    """
    trades = study.trades
    kinds = trades[(trades["source"] == "setup") & trades["found"]][list(BY)].drop_duplicates().sort_values(list(BY))
    looks += max(len(kinds) - 1, 0)
    return Record(
        at=now,
        first=study.first,
        last=study.last,
        rules=tuple(rules),
        looks=looks,
        kinds=tuple(_kind(study, dict(zip(BY, kind, strict=True)), looks) for kind in kinds.to_numpy().tolist()),
    )


def _kind(study: Study, where: dict[str, str], looks: int) -> KindRecord:
    verdict = verdict_of(study, looks, where)
    enough = verdict.kind != "too_few"
    return KindRecord(
        **where,
        closed=verdict.trades,
        share=float((judged_setups(study.trades, where)["net_r"] > 0).mean()) if enough else None,
        mean=verdict.mean.value if enough else None,
        without_best=verdict.without_best,
        low=verdict.mean.low,
        high=verdict.mean.high,
        verdict=verdict.kind,
    )
