"""The record: a small table of what each kind of setup came to in a study, kept beside the store of a station.

The station quotes it in its alerts. It is written as a whole by a study that is told to keep it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field, ValidationError

from scanner.studies.figures.results import Kind  # noqa: TC001 - pydantic reads the annotations
from scanner.studies.kept.values import Moment, Value

if TYPE_CHECKING:
    from pathlib import Path


class RecordError(Exception):
    """There is a record that cannot be read; the message is one sentence that says where, why and what to do."""

    exit_code = 2


class KindRecord(Value):
    """What setups of one kind came to: of one setup in one direction on one timeframe, those set aside left out.

    ``share`` is that of winners among the ``closed``, ``mean`` is in R, net of costs, with its 95 % interval from
    ``low`` to ``high``; None where there is too little to say. ``verdict`` is that of a study of this kind alone, with
    the other kinds counted as looks.
    """

    setup: str
    direction: str
    timeframe: str
    closed: int = Field(ge=0)
    share: float | None
    mean: float | None
    low: float | None
    high: float | None
    verdict: Kind


class Record(Value):
    """What a study left: made ``at``, of bars from ``first`` to ``last``, by the ``rules`` that these marks stand for.

    ``looks`` is how many the verdicts make up for: those at these bars, and one for each kind but the first.
    """

    at: Moment
    first: Moment
    last: Moment
    rules: tuple[str, ...]
    looks: int = Field(ge=1)
    kinds: tuple[KindRecord, ...]

    def of_kind(self, setup: str, direction: str, timeframe: str) -> KindRecord | None:
        """Find what a kind of setup came to; None where none was found."""
        wanted = setup, direction, timeframe
        return next((each for each in self.kinds if (each.setup, each.direction, each.timeframe) == wanted), None)

    def to_bytes(self) -> bytes:
        """Write it as JSON."""
        return self.model_dump_json(indent=2).encode() + b"\n"


def beside(store: Path) -> Path:
    """Say where the record of a station is, by where its store is."""
    return store.with_name(f"{store.name}.study.json")


def report_beside(store: Path) -> Path:
    """Say where the report of the study is that the record is of."""
    return store.with_name(f"{store.name}.study.html")


def read(path: Path) -> Record | None:
    """Read a record; None where there is none. RecordError where it cannot be read."""
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
