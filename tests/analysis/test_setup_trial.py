"""The trial of a setup: nothing is said of a sound one, and each way to be wrong is told by a sentence of its own."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn

import pytest
from pydantic import Field

from scanner.analysis.columns import CLOSE
from scanner.analysis.evidence import point
from scanner.analysis.known_setups import known, own
from scanner.analysis.next_bar import Need
from scanner.analysis.rules import Rules
from scanner.analysis.setup import Chosen, Forming, Numbers, Setup, Spoiler
from scanner.analysis.setup_trial import example_fit, wrong_ways
from tests.analysis import wrong_setups as wrong

if TYPE_CHECKING:
    from collections.abc import Callable

RULES = Rules()
EXAMPLE = own("two_steps", "own_setup:SETUP", Path(__file__).parents[2] / "config")
SOUND = replace(EXAMPLE, measure=wrong.sound, find=wrong.find_sound, forming=None)


def said(setup: Setup[Any]) -> list[str]:
    return wrong_ways(Chosen(setup, setup.numbers()), RULES)


def test_nothing_is_said_of_the_example_and_it_finds_something() -> None:
    assert said(EXAMPLE) == []
    assert said(SOUND) == []
    assert example_fit(Chosen(EXAMPLE, EXAMPLE.numbers()), RULES).verdicts.all()


@pytest.mark.parametrize("name", known())
def test_nothing_is_said_of_what_comes_with_the_program(name: str) -> None:
    setup = known()[name]
    assert said(setup) == []
    assert example_fit(Chosen(setup, setup.numbers()), RULES).verdicts.all()  # so the trial saw it hold


@pytest.mark.parametrize(
    ("measure", "find", "sentence"),
    [
        (wrong.not_to_compile, wrong.find_sound, "measure does not compile: "),
        (wrong.raising, wrong.find_sound, "measure raises ValueError (no range); it must answer for any bar"),
        (wrong.no_verdict, wrong.find_sound, "measure leaves the verdict of steps unfilled; write 0 or 1"),
        (wrong.no_value, wrong.find_sound, "measure leaves the measured value of direction unfilled; write it"),
        (wrong.too_many_verdicts, wrong.find_sound, "measure writes more verdicts than the 3 rules"),
        (wrong.too_many_values, wrong.find_sound, "measure writes more values than the 3 rules and extra = 0"),
        (
            wrong.measures_nothing,
            wrong.find_measures_nothing,
            "the rule direction holds where its measured value is NaN",
        ),
        (wrong.says_too_much, wrong.find_says_too_much, "measure does not give whether all verdicts hold"),
        (wrong.looks_ahead, wrong.find_looks_ahead, "measure looks ahead: with other bars after t"),
        (wrong.reads_far_back, wrong.find_reads_far_back, "measure reads further back than looks_back = 3"),
        (wrong.one_sided, wrong.find_one_sided, "the rule steps differs for long and short on reflected prices"),
        (wrong.sound, wrong.find_long_only, "find and measure disagree on the invented tapes: of "),
        (wrong.sound, wrong.find_backwards, "find does not write down what it finds in order"),
        (wrong.sound, wrong.find_by_tomorrow, "find looks ahead: with other bars after t"),
        (wrong.sound, wrong.find_too_often, "find finds 3 setups among 1 bars"),
        (wrong.sound, wrong.find_past_its_stretch, "find marks bars past its stretch"),
    ],
    ids=lambda each: getattr(each, "__name__", ""),
)
def test_compiled_code_that_is_wrong(measure: Callable[..., bool], find: Callable[..., int], sentence: str) -> None:
    (found,) = said(replace(SOUND, measure=measure, find=find))
    assert found.startswith(sentence)


def test_the_compilers_reason_names_the_line() -> None:
    (found,) = said(replace(SOUND, measure=wrong.not_to_compile))
    line = wrong.not_to_compile.__code__.co_firstlineno
    assert found.startswith("measure does not compile: No implementation of function Function(<built-in function gt>)")
    assert found.endswith(f"(line {line + 2} of wrong_setups.py)")
    (found,) = said(replace(SOUND, measure=wrong.of_no_number))
    assert found == "measure does not compile: KeyError('there_is_no_such_number')"


def raising(*_: object) -> NoReturn:
    raise KeyError("gull")


STEP = EXAMPLE.forming
assert STEP is not None
WRONG_AHEAD: dict[str, tuple[Forming[Any], str]] = {
    "does not compile": (
        replace(STEP, find=wrong.find_forming_of_no_number),
        "forming.find does not compile: KeyError",
    ),
    "looks ahead": (replace(STEP, find=wrong.find_forming_ahead), "forming.find looks ahead: with other bars after p"),
    "reads far back": (
        replace(STEP, find=wrong.find_forming_far_back),
        "forming.find reads further back than looks_back = 3, counted from the bar after p",
    ),
    "is one-sided": (
        replace(STEP, find=wrong.find_forming_one_sided),
        "forming.find differs for long and short on reflected prices",
    ),
    "finds too little": (
        replace(STEP, find=wrong.find_long_only),
        "forming.find differs for long and short on reflected prices",
    ),
    "raises": (
        replace(STEP, next_bar=raising),
        "next_bar raises KeyError ('gull'); it is asked at every",
    ),
    "sees the bar after p": (
        replace(STEP, next_bar=lambda before, _: [Need("close", least=before.series[CLOSE, before.p + 1])]),
        "next_bar raises IndexError",
    ),
    "gives nothing": (replace(STEP, next_bar=lambda *_: []), "next_bar gives something else than a list of Needs"),
    "gives texts": (
        replace(STEP, next_bar=lambda *_: ["a rise"]),
        "next_bar gives something else than a list of Needs",
    ),
    "asks for what there is not": (
        replace(STEP, next_bar=lambda *_: [Need("gulls", least=1.0)]),  # type: ignore[arg-type]  # on purpose
        "next_bar asks for 'gulls'; there is close, high, low, body, range, body_of_range",
    ),
    "asks one side": (
        replace(STEP, next_bar=lambda before, _: [Need("close", least=before.series[CLOSE, before.p])]),
        "next_bar differs for long and short on reflected prices",
    ),
    "asks too little": (
        replace(STEP, next_bar=lambda before, _: [Need("high", least=before.closing())]),
        "what is told of the two steps one bar ahead and measure disagree on the invented tapes: of ",
    ),
}


@pytest.mark.parametrize("what", WRONG_AHEAD)
def test_what_is_wrong_with_what_is_told_one_bar_ahead(what: str) -> None:
    forming, sentence = WRONG_AHEAD[what]
    (found,) = said(replace(EXAMPLE, forming=forming))
    assert found.startswith(sentence)


SPOKEN: dict[str, tuple[Any, str]] = {
    "words": (lambda *_: [("> 0", "a"), ("> 0", "b")], "words gives 2 thresholds and texts for 3 rules"),
    "words that are no pairs": (lambda *_: ["> 0"] * 3, "words gives something else than pairs of two texts"),
    "words that are nothing": (lambda *_: None, "words gives a NoneType; give a list of pairs"),
    "evidence": (lambda *_: [], "evidence gives a list; give a dictionary of points by name"),
    "evidence without text": (lambda *_: {"gulls": {"measured": 1.0}}, "evidence gulls is no point"),
    "evidence with a verdict of numpy": (
        lambda fit, _: {"gulls": point(1.0, "> 0", fit.measured[0] > 0, "gulls")},
        "the verdict of evidence gulls is a bool; write bool(…) around it",
    ),
    "evidence of NaN": (
        lambda *_: {"gulls": {"measured": nan, "threshold": "> 0", "verdict": False, "text": "gulls"}},
        "evidence gulls measured nan; make it with scanner.analysis.evidence.point",
    ),
    "evidence of one side": (
        lambda fit, _: {"gulls": point(fit.at(CLOSE), "> 0", verdict=True, text="gulls")},
        "evidence differs for long and short on reflected prices",
    ),
    "trigger": (lambda fit, _: fit.high(), "trigger gives something else than a price and the words for it"),
    "base": (lambda *_: (nan, "the low"), "the price of base is nan at some bars"),
    "base of one side": (lambda fit, _: (fit.at(2), "the low"), "base differs for long and short on reflected prices"),
    "spoiler": (lambda *_: "a close", "spoiler gives a str; give a Spoiler"),
    "spoiler beyond nothing": (lambda *_: Spoiler("a close", beyond=nan), "the spoiler's price is nan at some bars"),
    "spoiler of a strange average": (lambda *_: Spoiler("a close", average=4), "the spoiler's average is column 4"),
    "spoiler without words": (lambda *_: Spoiler(beyond=1.0), "the spoiler needs both a text and what it tells of"),
}


@pytest.mark.parametrize("what", SPOKEN)
def test_what_is_said_in_a_wrong_shape(what: str) -> None:
    give, sentence = SPOKEN[what]
    (found,) = said(replace(SOUND, **{what.split(maxsplit=1)[0]: give}))
    assert found.startswith(sentence)


@pytest.mark.parametrize("name", ["words", "evidence", "trigger", "base", "spoiler"])
def test_what_raises_when_it_is_asked(name: str) -> None:
    change: dict[str, Any] = {name: raising}
    assert said(replace(SOUND, **change)) == [
        f"{name} raises KeyError ('gull'); it is asked at any bar, held or missed"
    ]


class OddNumbers(Numbers):
    kind: str = Field("gull", description="no choice of texts")


class NoDefault(Numbers):
    kind: Literal["gull", "tern"] = Field(description="without a default")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"rules": ("wide", "wide", "steps")}, "rules must name at least one rule, each once, and none place or reach"),
        (
            {"rules": ("wide", "place", "steps")},
            "rules must name at least one rule, each once, and none place or reach",
        ),
        ({"bars": (("W", "one"), ("W", "two"))}, "bars must name at least the last bar, each with a letter of its own"),
        ({"looks_back": 1}, "looks_back is 1; with 3 bars and a warm-up of 250 bars it must be 2 to 249"),
        ({"looks_back": 250}, "looks_back is 250; with 3 bars and a warm-up of 250 bars it must be 2 to 249"),
        ({"places": ("line", "harbour")}, "places holds harbour; there is line, average, level, turn"),
        (
            {"numbers": NoDefault},
            "its numbers cannot be handed to compiled code (ValidationError); each must be an int",
        ),
        ({"numbers": OddNumbers}, "its numbers cannot be handed to compiled code (ValueError); each must be an int"),
    ],
)
def test_what_can_be_seen_without_running_it(change: dict[str, Any], sentence: str) -> None:
    changed = replace(SOUND, **change)
    (found,) = wrong_ways(Chosen(changed, changed.numbers.model_construct()), RULES)
    assert found.startswith(sentence)
