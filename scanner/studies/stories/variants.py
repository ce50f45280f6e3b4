"""The rules with one thing changed: each rule left out, each surrounding switched, each setting changed a little."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, TypeVar, get_args, get_origin

import numpy as np
from pydantic import BaseModel, ValidationError

from scanner.analysis.rules import RULES
from scanner.studies.schema import Variant
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Chosen, Numbers
    from scanner.analysis.rules import Rules
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.surroundings import Surrounding, Surroundings

M = TypeVar("M", bound=BaseModel)

FACTORS = (0.8, 1.25)
"""A setting is multiplied by these factors, one that counts bars changed by at least one; a 0 is not changed."""

PLACE, REACH = "place", "reach"
"""Rules of a setup, in addition to its own, if it needs a place."""

OF_PLACES = (
    "place_tolerance",
    "line_tolerance",
    "line_depth",
    "line_slope_min",
    "line_slope_max",
    "line_away",
    "fast_average_rise",
    "slow_average_rise",
    "average_away",
    "level_away",
    "turn_depth",
)
"""Thresholds of the strict reading of places. Lengths are not changed: other averages are other indicators."""

OF_PLAIN_PLACES = ("plain_tolerance", "plain_turn_depth")

OF_SURROUNDINGS: dict[Surrounding, tuple[str, ...]] = {
    "volatility": ("loud",),
    "room": ("min_room",),
    "cost": ("max_cost",),
    "liquid": ("max_missing", "range_steps", "risk_steps", "min_turnover"),
    "hours": ("skip_open", "skip_close"),
    "dates": ("date_days", "date_hours"),
    "gap": ("pause_gap",),
    "risk_size": ("max_risk",),
}
"""Thresholds of each surrounding; they are changed only if it is required, since otherwise nothing depends on them."""


@dataclass(slots=True)
class Changes:
    """The variants of a rulebook, and, by their numbers among ``variants``, what each of them changes.

    ``without`` is by setup (its number among those of the rulebook) and rule; ``numbers`` has other settings for each
    setup, also in the form for compiled code. ``rules_of_places`` are other rules for ``places``, in the form for
    compiled code, ``reach`` is another reach in ATR. ``not_required`` and ``required`` are by surrounding; ``around``
    are other thresholds of a required one. ``elsewhere`` are, for each setup, the variants that change nothing for it:
    those of other setups, and of places that it does not need. ``respoken`` tells, for each variant seen so far,
    whether it changes the text of the setup's spoiler.
    """

    variants: list[Variant] = field(default_factory=list)
    without: dict[tuple[int, str], int] = field(default_factory=dict)
    numbers: list[list[tuple[int, Numbers, NDArray[Any]]]] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    rules_of_places: NDArray[Any] = field(default_factory=lambda: np.zeros(0, dtype=RULES))
    reach: list[tuple[int, float]] = field(default_factory=list)
    not_required: dict[Surrounding, int] = field(default_factory=dict)
    required: dict[Surrounding, int] = field(default_factory=dict)
    around: list[tuple[int, Surrounding, Surroundings]] = field(default_factory=list)
    elsewhere: list[frozenset[int]] = field(default_factory=list)
    respoken: dict[int, bool] = field(default_factory=dict)

    def add(self, name: str, kind: Literal["rule_off", "surrounding_off", "moved"], what: str, value: Any) -> int:  # noqa: ANN401 - a number of any type
        """Add a variant and give its number."""
        self.variants.append(Variant(name, kind, what, value))
        return len(self.variants) - 1


AS_IS = 0
"""The number of the rules as they are, which are the first variant."""


@lru_cache(64)
def changes_of(rulebook: Rulebook, *, variants: bool) -> Changes:
    """Give every variant of a rulebook, one thing changed at a time; the rules as they are come first.

    Without ``variants``, these are the only ones.
    """
    made = Changes([Variant("as is", "as_is", "", None)])
    if not variants:
        made.numbers, made.elsewhere = [[] for _ in rulebook.setups], [frozenset() for _ in rulebook.setups]
        return made
    strict = rulebook.rules.place_quality == "strict"
    for which, chosen in enumerate(rulebook.setups):
        _change_setup(made, which, chosen, (PLACE, REACH) if strict else (PLACE,))
    if any(chosen.setup.places for chosen in rulebook.setups):
        _change_places(made, rulebook.rules, strict=strict)
    of_setups = frozenset(range(AS_IS + 1, len(made.variants)))
    for which, chosen in enumerate(rulebook.setups):
        own = {number for (other, _), number in made.without.items() if other == which}
        own |= {number for number, _, _ in made.numbers[which]}
        if chosen.setup.places:
            own |= {*made.places, *(number for number, _ in made.reach)}
        made.elsewhere.append(of_setups - own)
    for surrounding in NAMES:
        _change_surrounding(made, surrounding, rulebook.surroundings)
    return made


def _change_setup(made: Changes, which: int, chosen: Chosen, of_place: tuple[str, ...]) -> None:
    setup = chosen.setup
    for rule in (*setup.rules, *(of_place if setup.places else ())):
        made.without[which, rule] = made.add(f"{setup.name}: {rule} off", "rule_off", rule, None)
    moved = []
    for name, value, how, numbers in moves(chosen.numbers, type(chosen.numbers).model_fields):
        number = made.add(f"{setup.name}: {name} {how}", "moved", f"{setup.name}.{name}", value)
        moved.append((number, numbers, numbers.record()))
    made.numbers.append(moved)


def _change_places(made: Changes, rules: Rules, *, strict: bool) -> None:
    records = []
    for name, value, how, other in moves(rules, OF_PLACES if strict else OF_PLAIN_PLACES):
        made.places.append(made.add(f"places: {name} {how}", "moved", f"rules.{name}", value))
        records.append(other.record)
    made.rules_of_places = np.concatenate(records)
    for name, value, how, other in moves(rules, ("place_reach",) if strict else ()):
        number = made.add(f"places: {name} {how}", "moved", f"rules.{name}", value)
        made.reach.append((number, other.place_reach))


def _change_surrounding(made: Changes, surrounding: Surrounding, around: Surroundings) -> None:
    if surrounding not in around.require:
        name = f"surroundings: {surrounding} required"
        made.required[surrounding] = made.add(name, "moved", "surroundings.require", surrounding)
        return
    name = f"surroundings: {surrounding} off"
    made.not_required[surrounding] = made.add(name, "surrounding_off", surrounding, None)
    for each, value, how, thresholds in moves(around, OF_SURROUNDINGS.get(surrounding, ())):
        number = made.add(f"surroundings: {each} {how}", "moved", f"surroundings.{each}", value)
        made.around.append((number, surrounding, thresholds))


def moves(model: M, names: Sequence[str] | Any) -> Iterator[tuple[str, Any, str, M]]:  # noqa: ANN401 - or the keys of a mapping
    """Change each of some fields of a model, one at a time, within its bounds.

    Yields the field, its new value, the change in words, and the changed model.
    """
    for name in names:
        value = getattr(model, name)
        for other, how in _others(value, type(model).model_fields[name].annotation):
            try:
                moved = type(model).model_validate(model.model_dump() | {name: other})
            except ValidationError:
                continue  # beyond its bounds
            yield name, other, how, moved


def _others(value: Any, annotation: Any) -> Iterator[tuple[Any, str]]:  # noqa: ANN401 - numbers of any kind
    if isinstance(value, bool):
        yield not value, str(not value).lower()
    elif isinstance(value, str):
        if get_origin(annotation) is Literal:
            yield from ((other, other) for other in get_args(annotation) if other != value)
    elif isinstance(value, int):
        for other in (min(round(value * FACTORS[0]), value - 1), max(round(value * FACTORS[1]), value + 1)):
            if value:
                yield other, f"{other - value:+d}"
    elif isinstance(value, float) and value:
        for factor in FACTORS:
            yield float(f"{value * factor:.12g}"), f"{100 * (factor - 1):+.0f} %"
