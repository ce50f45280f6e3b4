"""What studies say when many questions are asked of the same bars, one after the other, until an answer pleases."""

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
"""Of all setups, of each, of one side, of one way to leave, and of some of these together."""


@dataclass(frozen=True, slots=True)
class Answers:
    """Whether any question is answered with an edge: each as if it were the only one, and with all of them counted."""

    alone: bool
    counted: bool


def asked(study: Study) -> Answers:
    """Ask all questions of a feed that was studied."""
    alone, counted = (
        any(verdict_of(study, looks, where, samples=SAMPLES).kind == "edge" for where in QUESTIONS)
        for looks in (1, len(QUESTIONS))
    )
    return Answers(alone, counted)


def rates(answers: Sequence[Answers]) -> list[Rate]:
    """Give how often any answer is an edge, of feeds of pure chance."""
    of, count = f"pure chance, {len(QUESTIONS)} questions asked of each feed", len(answers)
    counted = sum(each.counted for each in answers)
    return [
        Rate("some edge is claimed, each asked as if alone", sum(each.alone for each in answers), count, of=of),
        Rate("some edge is claimed, all looks counted", counted, count, most=CLAIMS, of=of),
    ]
