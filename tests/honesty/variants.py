"""What is said of 200 variants of which none is better, or one: ``python -m tests.honesty.variants``.

Which trades each variant has was drawn by chance from the same trades, so the best of them shines by chance. Outcomes
are as skewed as those of real setups and hang together by months, and months have very different numbers of trades. In
other feeds one variant leaves out trades that are truly worse.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from scanner.studies.figures.members import Members, beside_first
from scanner.studies.figures.months import weights
from scanner.studies.figures.rules import rules_among
from scanner.studies.schema import Variant

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.studies.figures.results import Rules

    Flags = NDArray[np.bool_]

WINNERS, WON, TAIL = 0.32, 2.125, 1.1
"""The share of winners, what they win on average (so that the mean is 0), and how long their tail is: the standard
deviation of its logarithm. Losers lose 1 R."""
OF_MONTH = 0.25
"""The standard deviation, in R, of what is common to the trades of a month."""
SHARES = (0.1, 0.2)
"""A rule is moved so far that it leaves out, or adds, these shares."""
SAMPLES = 1_000
CLAIMED = 0.05


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of feed: so many months with so many trades each that the rules as they are find, and variants of them.

    The trades that the first variant leaves out are ``worse`` than others by so many R.
    """

    name: str
    months: int
    trades: int
    variants: int = 200
    worse: float = 0.0


def invented(kind: Kind, rng: np.random.Generator) -> Members:
    """Invent closed trades, and which of them each variant has; the first are the rules as they are."""
    month = np.repeat(np.arange(kind.months), rng.poisson(2 * kind.trades * rng.gamma(2, 0.5, kind.months)))
    count = len(month)
    won = rng.lognormal(-(TAIL**2) / 2, TAIL, count) * WON
    net_r = np.where(rng.random(count) < WINNERS, won, -1.0) + rng.normal(0, OF_MONTH, kind.months)[month]
    as_is = rng.random(count) < 1 / 2
    has = [as_is]
    while len(has) <= kind.variants:
        score = rng.random(count)
        if len(has) == 1:
            net_r[as_is & (score < max(SHARES))] -= kind.worse
        has += [as_is & (score >= share) for share in reversed(SHARES)]
        has += [as_is | (score < share) for share in SHARES]
    return Members(net_r, month, np.zeros(count, dtype=np.int64), np.array(has[: kind.variants + 1]))


def said_of(members: Members, seed: int) -> Rules:
    """Give what a study says of variants with these trades."""
    variants = [Variant(f"variant {number}", "moved", "", None) for number in range(len(members.has))]
    return rules_among(variants, beside_first(members, SAMPLES, seed))


def said_with_one_error(members: Members, seed: int) -> bool:
    """Say whether any variant would be claimed to differ if each had one error for all samples."""
    count, total = members.by_month()
    judged = np.logical_xor(members.has, members.has[0]).sum(axis=1) >= 30
    drawn = weights(count.shape[1], SAMPLES, seed).T
    mean, sampled = total.sum(axis=1) / count.sum(axis=1), (total @ drawn) / (count @ drawn)
    value, off = (mean - mean[0])[judged], (sampled - sampled[0] - (mean - mean[0])[:, None])[judged]
    error = off.std(axis=1)
    furthest = np.quantile(np.abs(off / error[:, None]).max(axis=0), 1 - CLAIMED)
    return bool((np.abs(value / error) > furthest).any())
