"""Studies of the same bars with one question after another, until an answer pleases."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from scanner.studies.figures.verdict import verdict_of
from tests.honesty.feeds import SAMPLES, SETUPS
from tests.honesty.rates import CLAIMS, Rate

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.studies.schema import Study

QUESTIONS: tuple[Mapping[str, str], ...] = (
    {},
    *({"setup": setup} for setup in SETUPS),
    *({"direction": direction} for direction in ("long", "short")),
    *({"exit_style": style} for style in ("ride", "quick")),
    *({"setup": setup, "direction": direction} for setup, direction in product(SETUPS, ("long", "short"))),
    *({"setup": setup, "exit_style": style} for setup, style in product(SETUPS, ("ride", "quick"))),
)
"""About all setups, each setup, one side, one exit style, and some combinations."""


@dataclass(frozen=True, slots=True)
class Answers:
    """The answers to all questions about a feed.

    ``shines``: the interval of some mean lies above 0, as if nothing else had been asked. ``claimed``: some verdict is
    an edge, with all questions counted as looks.
    """

    shines: bool
    claimed: bool


def asked(study: Study) -> Answers:
    """Ask all questions about a feed that was studied."""
    verdicts = [verdict_of(study, len(QUESTIONS), where, samples=SAMPLES) for where in QUESTIONS]
    return Answers(
        shines=any(each.mean.low is not None and each.mean.low > 0 for each in verdicts),
        claimed=any(each.kind == "edge" for each in verdicts),
    )


def rates(answers: Sequence[Answers]) -> list[Rate]:
    """Give how often any answer pleases in feeds of pure chance."""
    of, count = f"pure chance, {len(QUESTIONS)} questions asked of each feed", len(answers)
    claimed = sum(each.claimed for each in answers)
    return [
        Rate("the best answer shines by its own interval", sum(each.shines for each in answers), count, of=of),
        Rate("an edge is claimed, all looks counted", claimed, count, most=CLAIMS, of=of),
    ]
