"""The door for setups: what a setup must say of itself. Ours come in by it like anyone's.

A setup is one file with one object, found by name through the entry points ``closewatch.setups`` or named in a
configuration as ``object = "module:OBJECT"``. Nothing outside its file knows its name.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Self, TypeVar, cast, get_args

import numpy as np
from pydantic import BaseModel, ConfigDict, model_validator

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.next_bar import Before, Need
    from scanner.analysis.rules import Rules
    from scanner.event_data import Place

    Floats = NDArray[np.float64]


class Numbers(BaseModel):
    """The numbers of one setup's rules, read from ``[setups.NAME]``. Derive from it.

    Every field is an int, a float, a bool or a Literal of texts, and has a default and a description with its unit.
    ``ascending`` names pairs of fields of which the first must not be the greater.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")
    ascending: ClassVar[tuple[tuple[str, str], ...]] = ()

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for low, high in self.ascending:
            least, most = getattr(self, low), getattr(self, high)
            if least > most:
                raise ValueError(f"{low} ({least:g}) must not be greater than {high} ({most:g})")
        return self

    def record(self) -> NDArray[Any]:
        """Give the numbers as compiled code reads them: an array of one record, whose fields are those of the model.

        A text becomes its place among the choices, from 0 on.
        """
        values = {
            name: get_args(about.annotation).index(value) if isinstance(value := getattr(self, name), str) else value
            for name, about in type(self).model_fields.items()
        }
        kinds = [(name, type(value)) for name, value in values.items()] or [("none", bool)]
        return np.array([tuple(values.values()) or (False,)], dtype=kinds)


N = TypeVar("N", bound=Numbers)

MISSED, HOLDS, UNKNOWN, ABSENT = range(4)
"""What is said of a point of evidence: it does not hold, it does, nobody can say, or it is not asked for."""

LEVELS = np.dtype(
    [
        ("trigger", np.float64),  # what a break entry must beat
        ("base", np.float64),  # what the stop stands behind
        ("base_is", np.int64),  # for the words: which of its prices the base is, as the setup counts them
        ("beyond", np.float64),  # a close on the wrong side of this price spoils the setup; NaN where none does
        ("average", np.int64),  # or one on the wrong side of this column of its bar; -1 where none does
        ("closes", np.int64),  # so many of them
        ("bars", np.int64),  # so many bars without an entry spoil it, too; 0 where none do
    ]
)
"""The levels of a setup, in real prices, and what proves it wrong before its entry besides a close beyond the stop."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A bar that a setup was measured at, as its words see it.

    ``series`` is the window of the series (COLUMNS × bars) and ``t`` the last bar of the setup; ``sign`` is +1 for
    long and −1 for short. ``measured`` and ``verdicts`` are what the setup's ``measure`` gave, ``points``, ``held`` and
    ``levels`` (a LEVELS record) what its ``weigh`` gave. ``atr`` is that at t.
    """

    series: Floats
    t: int
    sign: int
    atr: float
    measured: Floats
    verdicts: NDArray[np.uint8]
    points: Floats
    held: NDArray[np.uint8]
    levels: Any
    rules: Rules

    def at(self, column: int, back: int = 0) -> float:
        """Give a column's value so many bars before t, as it is, not reflected."""
        return self.series.item(column, self.t - back)

    def word(self, long: str, short: str) -> str:
        """Choose the word for the direction."""
        return long if self.sign > 0 else short


@dataclass(frozen=True, slots=True)
class Words:
    """What a setup says of a bar: threshold and text of each rule, in order, and of each point of evidence, by name.

    ``trigger`` and ``base`` say what these prices are («the last bar's high»); ``spoiler`` says as a clause what proves
    the setup wrong before its entry («a close below the last bar's middle»), and is empty where nothing but a close
    beyond the stop does.
    """

    rules: Sequence[tuple[str, str]]
    points: Mapping[str, tuple[str, str]]
    trigger: str
    base: str
    spoiler: str = ""


@dataclass(frozen=True, slots=True)
class Forming(Generic[N]):
    """How a setup can be told one bar ahead: which bars it may follow on, and what its last bar must then do.

    ``find`` is as that of ``Setup``, and compiled too: it writes (row, bar, sign) of every bar p at which all that the
    setup asks of the bars up to p holds. ``next_bar(before, numbers)`` gives all that it asks of the bar after p, with
    what matters most first. Both together say the same as the rules: these hold at a bar t exactly where ``find`` finds
    the bar t−1 and the bar t does all that is needed. What no bar can do need not be left out by ``find``.
    """

    find: Callable[..., int]
    next_bar: Callable[[Before, N], Sequence[Need]]


@dataclass(frozen=True, slots=True)
class Setup(Generic[N]):
    """A rule-based pattern of closed bars that ends at a bar t.

    ``name`` is what configurations and events call it, ``title`` what sentences do. ``summary`` says in a sentence or
    two what a trader sees in it. ``bars`` names its bars, oldest first, the last one being t: a letter for the chart
    and a word for tables; bars that it only looks back at are not named. ``looks_back`` is how many bars before t it
    reads at most.

    ``rules`` are the names of its rules and ``points`` those of what else speaks for it, in order and without the
    places. ``find``, ``measure`` and ``weigh`` are compiled:

    - ``measure(series, t, sign, numbers, measured, verdicts) -> bool`` measures every rule at bar t in one direction:
      ``series`` is one series' window (COLUMNS × bars, float64), ``t`` an index with at least ``looks_back`` bars
      before it, ``sign`` +1.0 or −1.0, ``numbers`` a record of the setup's numbers. It fills ``measured`` (float64, one
      value a rule and ``extra`` more; NaN where there is nothing to measure) and ``verdicts`` (uint8, one a rule), and
      says whether all hold. It reads no bar after t.
    - ``find(columns, rows, first, stop, numbers, marks, found) -> int`` looks through many bars or many series at once.
      ``columns`` (series × COLUMNS × bars) holds several windows; the bars first[k]…stop[k]−1 of the series rows[k] are
      to be judged. ``numbers`` is an array of one record, ``marks`` (uint8) room for one mark a bar of the longest
      stretch. It writes (row, bar, sign) of every bar at which ``measure`` holds to ``found`` (int64, n × 3, with room
      for two a bar), in order of series and bar, and returns how many there are. Its work is to be fast: a loop without
      branches over the rarest rules marks the bars that may fit, and only those are measured. ``searching.searched``
      is this for a ``mark`` and a ``measure``.
    - ``weigh(columns, row, spots, numbers, rules, out)`` measures several bars and says what else there is to say of
      them. ``spots`` (int64, n × 2) are bars and signs in the window of the series ``row``, ``rules`` is an array of
      one RULES record. ``out`` are five arrays with a row for each spot: ``measured`` and ``verdicts``; ``points``
      (float64, NaN where there is nothing to measure) and ``held`` (uint8: MISSED, HOLDS, UNKNOWN or ABSENT), one value
      a point of evidence; and ``levels`` (LEVELS records). ``searching.weighed`` is this for one that weighs one bar.

    ``words(fit, numbers)`` gives the Words for all of this. They are asked for at bars that miss the rules, too.

    ``places`` are the kinds of place of which one must hold; empty where it needs none. ``by_default`` says whether it
    is watched without being listed. ``forming`` is None where nothing of use can be told of it before its last bar.
    """

    name: str
    title: str
    summary: str
    bars: tuple[tuple[str, str], ...]
    looks_back: int
    numbers: type[N]
    rules: tuple[str, ...]
    find: Callable[..., int]
    measure: Callable[..., bool]
    weigh: Callable[..., None]
    words: Callable[[Fit, N], Words]
    points: tuple[str, ...] = ()
    places: tuple[Place, ...] = ()
    extra: int = 0
    by_default: bool = False
    forming: Forming[N] | None = None

    def __reduce__(self) -> tuple[Callable[..., Setup[Any]], tuple[str, str, str]]:
        """Travel to another process as the name of an object in a file, where its compiled code is found again."""
        for function in (self.measure, self.find, self.words):
            module = sys.modules[function.__module__]
            for name, each in vars(module).items():
                if each is self:
                    return _held_by, (module.__name__, name, str(Path(str(module.__file__)).parent))
        raise TypeError(f"the setup {self.name} stands in none of the files of its functions, and cannot travel")


def _held_by(module: str, name: str, folder: str) -> Setup[Any]:
    try:
        return cast("Setup[Any]", getattr(import_module(module), name))
    except ModuleNotFoundError:
        sys.path.insert(0, folder)
        return cast("Setup[Any]", getattr(import_module(module), name))


@dataclass(frozen=True, slots=True)
class Chosen:
    """A setup that is looked for, with its numbers; ``forming`` says whether it is also told one bar ahead."""

    setup: Setup[Any]
    numbers: Numbers
    forming: bool = False
