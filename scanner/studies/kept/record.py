"""The record: a small table with the results of each kind of setup in a study, kept beside the store of a station.

The station quotes it in its alerts. A study run with ``--keep`` writes it as a whole.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field, ValidationError

from scanner.studies.figures.results import Kind  # noqa: TC001 - pydantic reads the annotations
from scanner.studies.kept.values import Moment, Value

if TYPE_CHECKING:
    from pathlib import Path


class RecordError(Exception):
    """The record cannot be read; the message is one sentence that says where, why and what to do."""

    exit_code = 2


class KindRecord(Value):
    """The results of one kind: one setup in one direction on one timeframe, without those set aside.

    ``share`` is the share of winners among the ``closed``, ``mean`` is in R, net of costs, with its 95 % interval from
    ``low`` to ``high``, and ``without_best`` is the mean without the best 1 %, at least one; None if there is too
    little. ``verdict`` is that of a study of this kind alone, with the other kinds counted as looks.
    """

    setup: str
    direction: str
    timeframe: str
    closed: int = Field(ge=0)
    share: float | None
    mean: float | None
    without_best: float | None
    low: float | None
    high: float | None
    verdict: Kind


class Record(Value):
    """The record of a study: made ``at``, of bars from ``first`` to ``last``, by the ``rules`` with these marks.

    ``looks`` is the number for which the verdicts are corrected: those at these bars, and one for each kind but the
    first.
    """

    at: Moment
    first: Moment
    last: Moment
    rules: tuple[str, ...]
    looks: int = Field(ge=1)
    kinds: tuple[KindRecord, ...]

    def of_kind(self, setup: str, direction: str, timeframe: str) -> KindRecord | None:
        """Find the results of a kind of setup; None if none was found."""
        wanted = setup, direction, timeframe
        return next((each for each in self.kinds if (each.setup, each.direction, each.timeframe) == wanted), None)

    def to_bytes(self) -> bytes:
        """Write it as JSON."""
        return self.model_dump_json(indent=2).encode() + b"\n"


def beside(store: Path) -> Path:
    """Give the path of the record of a station, from that of its store."""
    return store.with_name(f"{store.name}.study.json")


def report_beside(store: Path) -> Path:
    """Say where the report of the study is that the record is of."""
    return store.with_name(f"{store.name}.study.html")


def read(path: Path) -> Record | None:
    """Read a record; None if there is none. RecordError if it cannot be read."""
    try:
        return Record.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except OSError as problem:
        why = problem.strerror or str(problem)
    except ValidationError as problem:
        error = problem.errors()[0]
        where = ".".join(str(part) for part in error["loc"])
        why = f"{where + ': ' if where else ''}{error['msg']}"
    raise RecordError(f"{path}: the study kept there cannot be read ({why}); make it again with `--keep`")
