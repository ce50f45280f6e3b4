"""The interface for setups: what a setup must declare. The built-in ones use it like any other.

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
from pydantic import ConfigDict, model_validator

from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.next_bar import Before, Need
    from scanner.analysis.rules import Rules
    from scanner.event_data import Place

    Floats = NDArray[np.float64]


ON, OBJECT, FORMING = "on", "object", "forming"
"""Keys of a setup's table besides its numbers: whether it is watched, where a user's own setup is, and whether it is
announced one bar ahead."""
KEYS = {ON, OBJECT, FORMING}


class Numbers(ConfigTable):
    """Base class for the numbers of one setup's rules, read from ``[setups.NAME]``.

    Every field is an int, a float, a bool or a Literal of texts, and has a default and a description with its unit.
    ``ascending`` names pairs of fields of which the first must not be greater than the second.
    """

    model_config = ConfigDict(validate_default=True)
    ascending: ClassVar[tuple[tuple[str, str], ...]] = ()

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for low, high in self.ascending:
            least, most = getattr(self, low), getattr(self, high)
            if least > most:
                raise ValueError(f"{low} ({least:g}) must not be greater than {high} ({most:g})")
        return self

    def record(self) -> NDArray[Any]:
        """Give the numbers as compiled code reads them: an array of one record with the fields of the model.

        A text becomes its index among the choices.
        """
        values = {
            name: get_args(about.annotation).index(value) if isinstance(value := getattr(self, name), str) else value
            for name, about in type(self).model_fields.items()
        }
        kinds = [(name, type(value)) for name, value in values.items()] or [("none", bool)]
        return np.array([tuple(values.values()) or (False,)], dtype=kinds)


N = TypeVar("N", bound=Numbers)

MISSED, HOLDS, UNKNOWN, ABSENT = range(4)
"""The verdict on a point of evidence: it does not hold, it holds, it cannot be judged, or it does not apply."""

LEVELS = np.dtype(
    [
        ("trigger", np.float64),  # what a break entry must beat
        ("base", np.float64),  # what the stop is placed beyond
        ("base_is", np.int64),  # for the words: which of its prices is the base, as the setup numbers them
        ("beyond", np.float64),  # a close on the wrong side of this price spoils the setup; NaN if none does
        ("average", np.int64),  # or one on the wrong side of this column of its bar; -1 if none does
        ("closes", np.int64),  # after so many of them
        ("bars", np.int64),  # so many bars without an entry spoil it too; 0 if none do
    ]
)
"""The levels of a setup, in real prices, and what spoils it before its entry besides a close beyond the stop and
a cross back of the MACD line."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A bar at which a setup was measured, as its words see it.

    ``series`` is the window of the series (COLUMNS × bars) and ``t`` the last bar of the setup; ``sign`` is +1 for
    long and −1 for short. ``measured`` and ``verdicts`` come from the setup's ``measure``; ``points``, ``held`` and
    ``levels`` (a LEVELS record) from its ``weigh``. ``atr`` is that at t.
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
        """Give a column's value ``back`` bars before t, not reflected."""
        return self.series.item(column, self.t - back)

    def word(self, long: str, short: str) -> str:
        """Choose the word for the direction."""
        return long if self.sign > 0 else short


@dataclass(frozen=True, slots=True)
class Words:
    """A setup's words about a bar: threshold and text of each rule, in order, and of each point of evidence, by name.

    ``trigger`` and ``base`` say what these prices are («the last bar's high»); ``spoiler`` says what spoils the setup
    before its entry («a close below the last bar's middle»), and is empty if nothing else does than a close beyond the
    stop or a cross back of the MACD line.
    """

    rules: Sequence[tuple[str, str]]
    points: Mapping[str, tuple[str, str]]
    trigger: str
    base: str
    spoiler: str = ""


@dataclass(frozen=True, slots=True)
class Forming(Generic[N]):
    """How a setup can be announced one bar ahead: after which bars it may come, and what its last bar must then do.

    ``find`` is compiled and works like that of ``Setup``: it writes (row, bar, sign) of every bar p at which all that
    the setup asks of the bars up to p holds. ``next_bar(before, numbers)`` gives all that it asks of the bar after p,
    most important first. Together they must equal the rules: these hold at a bar t exactly if ``find`` finds the bar
    t−1 and the bar t does all that is needed. ``find`` may also find bars after which no bar can do that.
    """

    find: Callable[..., int]
    next_bar: Callable[[Before, N], Sequence[Need]]


@dataclass(frozen=True, slots=True)
class Setup(Generic[N]):
    """A rule-based pattern of closed bars that ends at a bar t.

    ``name`` is its name in configurations and events, ``title`` that in sentences. ``summary`` says in a sentence or
    two what a trader sees in it. ``bars`` names its bars, oldest first and ending with t: a letter for the chart and a
    word for tables; bars that it only looks back at are not named. ``looks_back`` is how many bars before t it reads
    at most.

    ``rules`` are the names of its rules and ``points`` those of its points of evidence, in order and without the
    places. ``find``, ``measure`` and ``weigh`` are compiled:

    - ``measure(series, t, sign, numbers, measured, verdicts) -> bool`` measures every rule at bar t in one direction:
      ``series`` is one series' window (COLUMNS × bars, float64), ``t`` an index with at least ``looks_back`` bars
      before it, ``sign`` +1.0 or −1.0, ``numbers`` a record of the setup's numbers. It fills ``measured`` (float64, one
      value for each rule and ``extra`` more; NaN if there is nothing to measure) and ``verdicts`` (uint8, one for each
      rule), and says whether all hold. It reads no bar after t.
    - ``find(columns, rows, first, stop, numbers, marks, found) -> int`` looks through many bars or many series at once.
      ``columns`` (series × COLUMNS × bars) holds several windows; the bars first[k]…stop[k]−1 of the series rows[k] are
      to be judged. ``numbers`` is an array of one record, ``marks`` (uint8) has room for one mark for each bar of the
      longest stretch. It writes (row, bar, sign) of every bar at which ``measure`` holds to ``found`` (int64, n × 3,
      with room for two for each bar), in order of series and bar, and returns how many there are. It must be fast: a
      loop without branches over the rarest rules marks the bars that may fit, and only those are measured.
      If ``found`` has a fourth column, it instead writes every bar at which at most one rule fails, and that rule's
      number, −1 if none does. ``searching.searched`` does all this for a ``mark`` and a ``measure``.
    - ``weigh(columns, spots, numbers, rules, out)`` measures several bars, and gives their evidence and levels.
      ``spots`` (int64, n × 3) are (row, bar, sign) as ``find`` writes them, ``rules`` is an array of one RULES
      record. ``out`` are five arrays with a row for each spot: ``measured`` and ``verdicts``; ``points``
      (float64, NaN if there is nothing to measure) and ``held`` (uint8: MISSED, HOLDS, UNKNOWN or ABSENT), one value
      for each point of evidence; and ``levels`` (LEVELS records). ``searching.weighed`` does this for a function that
      weighs one bar.

    ``words(fit, numbers)`` gives the Words for all of this, also at bars that miss the rules.

    ``places`` are the kinds of place of which one must hold; empty if it needs none. ``by_default`` says whether it is
    watched without being listed. ``forming`` is None if it cannot be announced before its last bar.
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
        """Pickle as the name of an object in a file, where another process finds its compiled code."""
        for function in (self.measure, self.find, self.words):
            module = sys.modules[function.__module__]
            for name, each in vars(module).items():
                if each is self:
                    return _held_by, (module.__name__, name, str(Path(str(module.__file__)).parent))
        raise TypeError(f"the setup {self.name} is in none of the files of its functions, and cannot be pickled")


def _held_by(module: str, name: str, folder: str) -> Setup[Any]:
    try:
        return cast("Setup[Any]", getattr(import_module(module), name))
    except ModuleNotFoundError:
        sys.path.append(folder)
        return cast("Setup[Any]", getattr(import_module(module), name))


@dataclass(frozen=True, slots=True)
class Chosen:
    """A setup that is looked for, with its numbers; ``forming`` says whether it is also announced one bar ahead."""

    setup: Setup[Any]
    numbers: Numbers
    forming: bool = False
