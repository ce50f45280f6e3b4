"""The results of a study: its figures as plain values that can be shown, kept and compared.

A figure that cannot be given is None: there is nothing, or too little, to measure. R is net of costs unless said
otherwise, an interval is at 95 % unless said otherwise, and a month is 12 · year + month − 1 in UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import orjson

if TYPE_CHECKING:
    from scanner.studies.checked import CheckedRows, Unjudged
    from scanner.studies.schema import Source, Variant


@dataclass(frozen=True, slots=True)
class Interval:
    """A measured figure and its interval, from ``low`` to ``high``, None if there is too little."""

    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Beside:
    """A figure compared with shuffles of the same trades: the usual value, and the worst in 95 of 100 shuffles."""

    value: float
    usual: float
    bad: float


@dataclass(frozen=True, slots=True)
class Figures:
    """The outcome of a group of setups.

    ``found`` are all of them, ``set_aside`` those that the rules set aside, which count in nothing below. ``entered``
    and ``never_entered`` split the rest, except those that are still ``waiting``; ``closed`` are those with an R, in
    ``months`` different months. Those entered without one are ``still_open`` where the bars end, or ``broken_off``
    since prices jumped. ``too_few`` says that there are too few for any interval. ``mean``, ``median`` and
    ``without_best`` (the mean without the ``best`` results that are the best 1 %, at least one) are in R; ``total``
    and ``total_without_best`` are sums. ``spread`` is the standard deviation. ``design_effect`` is the factor by
    which shared months widen the variance of the mean. ``profit_factor`` is the sum of gains over the sum of losses.
    ``losing_run`` counts losses in a row, ``drawdown`` is the deepest fall of the running sum in R. ``bars_held`` are
    quartiles of the bars held; ``best_r`` and ``worst_r`` are medians of the furthest reached. ``gapped`` is the
    share left through a gap beyond the stop, ``both`` the share with entry and stop in one bar. ``cost`` is the mean
    cost in R.
    """

    name: str
    found: int
    set_aside: int
    entered: int
    never_entered: int
    waiting: int
    closed: int
    still_open: int
    broken_off: int
    months: int
    too_few: bool
    winners: int
    share: Interval
    mean: Interval
    median: Interval
    without_best: Interval
    best: int
    total: float
    total_without_best: float
    spread: float | None
    skew: float | None
    design_effect: float | None
    smallest: float | None
    profit_factor: float | None
    losing_run: Beside | None
    drawdown: Beside | None
    bars_held: tuple[float, float, float] | None
    best_r: float | None
    worst_r: float | None
    gapped: Interval
    both: Interval
    cost: float | None


@dataclass(frozen=True, slots=True)
class Breakdown:
    """The figures by the values of one column of the trades; ``by`` is its name."""

    by: str
    groups: tuple[Figures, ...]


@dataclass(frozen=True, slots=True)
class AgainstChance:
    """Setups compared with random trades on the same bars.

    ``setups`` have at least one closed control, of ``controls`` in all. ``setup_mean`` and ``chance_mean`` are the
    means of these setups and of their controls, ``difference`` the first minus the second. ``as_well`` is how often
    chance does as well: the share of samples of controls, one for each setup and of whole months, whose mean is at
    least that of the setups.
    """

    source: Source
    setups: int
    controls: int
    months: int
    too_few: bool
    setup_mean: Interval
    chance_mean: Interval
    difference: Interval
    as_well: float | None


@dataclass(frozen=True, slots=True)
class VariantResult:
    """The effect of a change of the rules.

    ``difference`` is its mean minus that of the rules as they are, ``corrected`` the interval of the same difference
    that holds for all variants at once. ``p`` is two-sided, ``q`` the same after controlling the false discovery rate
    over all variants; ``differs`` says that the corrected interval excludes 0.
    """

    variant: Variant
    closed: int
    months: int
    too_few: bool
    mean: Interval
    difference: Interval
    corrected: Interval
    p: float | None
    q: float | None
    differs: bool


@dataclass(frozen=True, slots=True)
class Superior:
    """Whether the best of many is better than a benchmark: p-values of superior predictive ability.

    ``consistent`` is the one to read; the true one lies between ``lower`` and ``upper``.
    """

    best: str
    lower: float
    consistent: float
    upper: float


@dataclass(frozen=True, slots=True)
class RuleChanges:
    """Changes of the rules: every variant, and whether the best beats the rules as they are, or no trade."""

    variants: tuple[VariantResult, ...]
    over_as_is: Superior | None
    over_nothing: Superior | None


@dataclass(frozen=True, slots=True)
class PeriodChoice:
    """The variant with the best trades that had ended before ``month``, and the basis of the choice for a period."""

    month: int
    chosen: str
    ended_before: int
    mean_before: float | None


@dataclass(frozen=True, slots=True)
class WalkForward:
    """Settings chosen for each period from its past alone, beside the rules as they are over the same periods."""

    choices: tuple[PeriodChoice, ...]
    closed: int
    as_is_closed: int
    too_few: bool
    mean: Interval
    as_is_mean: Interval
    difference: Interval


@dataclass(frozen=True, slots=True)
class Needed:
    """How many trades, and years at the rate so far, are needed to tell a mean from 0 with a power of 80 %."""

    mean: float
    trades: int
    years: float | None


@dataclass(frozen=True, slots=True)
class Enough:
    """What these trades can tell: the ``smallest`` mean that they could tell from 0 with a power of 80 %.

    ``spread`` is the standard deviation of R, ``design_effect`` the factor by which shared months widen the variance,
    ``a_year`` the number of trades closed in a year.
    """

    trades: int
    spread: float | None
    design_effect: float | None
    a_year: float | None
    smallest: float | None
    needed: tuple[Needed, ...]


Kind = Literal["too_few", "no_sign", "edge", "loses"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer in one plain sentence.

    ``mean`` is at 95 %; ``corrected`` is the same mean at the wider level that allows for the number of ``looks`` at
    these bars, and ``over_chance`` the difference from chance at that level (the least favourable one; None without
    controls). ``without_best`` is the mean without the best 1 %, at least one; None if there are too few.
    """

    kind: Kind
    sentence: str
    trades: int
    months: int
    looks: int
    mean: Interval
    corrected: Interval
    over_chance: Interval | None
    without_best: float | None


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """A claim recorded before looking: about setups for which each column of ``where`` has that value.

    It is tested only on setups found after ``written_at``, in nanoseconds since 1970 UTC. ``looks`` counts the tests on
    different bars, this one included.
    """

    name: str
    written_at: int
    where: tuple[tuple[str, str], ...]
    looks: int = 1


@dataclass(frozen=True, slots=True)
class Judged:
    """A hypothesis and its result on later bars."""

    hypothesis: Hypothesis
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Running:
    """The running sum of R in the order of entries, with a fan of such sums if the mean is ``under``.

    Points are thinned to a few hundred; ``times`` are nanoseconds since 1970 UTC. ``under`` is the mean of chance on
    the same bars, 0 without controls. At each point the fan contains 95 of 100 sums; ``throughout`` is the share of
    those that are in it at all points.
    """

    under: float
    times: tuple[int, ...]
    trades: tuple[int, ...]
    total: tuple[float, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]
    throughout: float


@dataclass(frozen=True, slots=True)
class Report:
    """All that a study says of its trades.

    ``all`` are the setups of the rules as they are, ``aside`` those set aside, as if they had not been. A breakdown
    names each group by the value of its column; ``year`` counts as a column, too. Without controls, ``chance`` is
    empty. ``checked`` are the rows of each file as the guard left them, ``unjudged`` the series that were not judged,
    or not throughout.
    """

    verdict: Verdict
    judged: tuple[Judged, ...]
    all: Figures
    aside: Figures
    breakdowns: tuple[Breakdown, ...]
    chance: tuple[AgainstChance, ...]
    rules: RuleChanges
    walk_forward: WalkForward | None
    enough: Enough
    running: Running | None
    checked: tuple[CheckedRows, ...]
    unjudged: tuple[Unjudged, ...]

    def to_json(self) -> bytes:
        """Give it as JSON, field by field; unknown values are null."""
        return orjson.dumps(self, option=orjson.OPT_INDENT_2 | orjson.OPT_SERIALIZE_NUMPY)
