"""Feeds of every kind, studied by the study itself, and its report on each."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.market.costs import Cost, Costs
from scanner.studies.figures.report import report_of
from scanner.studies.stories.collecting import Asked
from scanner.trade.rulebook import Rulebook
from tests.honesty.market import feed, market
from tests.honesty.planting import planted
from tests.studies.in_memory import collect

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.market.bars import Bars
    from scanner.studies.figures.results import AgainstChance, Verdict
    from scanner.studies.schema import Study

SETUPS = ("engulfing", "flag", "hammer", "outside_bar")
"""Setups that are found often enough, with stops so far away that a bar seldom reaches both entry and stop: such a
trade counts as stopped, which is a loss on average."""
STEP = Decimal("0.01")
NO_COSTS = Costs(spread=Cost(Decimal(0)))
"""With costs the mean would lie below 0, and claims would be rarer: the hard case is a mean of 0."""
DRAWS = 4
"""Bars drawn for each setup and source."""
SAMPLES = 2_000
"""Samples of months for each interval: a fifth of those of a study, to save time."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of feed: numbers of instruments and daily bars, and the push of the price per bar in R, 0 for chance."""

    name: str
    instruments: int
    bars: int
    push: float = 0.0


@dataclass(frozen=True, slots=True)
class Told:
    """The figures in the report of a feed that can be compared with the truth.

    ``chance`` is by source. ``smallest`` is the mean that these trades could tell from 0 with a power of 80 %, None
    if they are too few.
    """

    kind: Kind
    verdict: Verdict
    chance: tuple[AgainstChance, ...]
    smallest: float | None


def told_of(which: tuple[Kind, int], seed: int) -> Told:
    """Make a feed of a kind, by its number, study it, and give the figures of its report."""
    kind, number = which
    return told_on(kind, studied(bars_of(kind, number, seed), number))


def told_on(kind: Kind, study: Study) -> Told:
    """Give the figures of the report on a feed."""
    report = report_of(study, samples=SAMPLES)
    return Told(kind, report.verdict, report.chance, report.enough.smallest)


def bars_of(kind: Kind, number: int, seed: int) -> dict[str, Bars]:
    """Make a feed of a kind."""
    chance = market(kind.instruments, kind.bars, (seed, number))
    return planted(chance, book(), kind.push) if kind.push else feed(chance)


def studied(bars: Mapping[str, Bars], number: int, *, variants: bool = False) -> Study:
    """Study a feed as ``closewatch study`` does, either with controls or with changes of the rules."""
    asked = Asked(seed=number, variants=variants, draws=0 if variants else DRAWS)
    return collect(bars, rulebook=book(), step=STEP, costs=NO_COSTS, asked=asked)


@cache
def book() -> Rulebook:
    """Give the rules of all feeds: the defaults, with SETUPS."""
    return Rulebook(setups=tuple(Chosen(known()[name], known()[name].numbers()) for name in SETUPS))
