"""The trial of a setup: a sound one passes, and each fault has its own sentence."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import pytest

from scanner.analysis.columns import CLOSE
from scanner.analysis.door.known_setups import known, own
from scanner.analysis.door.setup import Chosen, Forming, Setup, Words
from scanner.analysis.door.setup_trial import example_fit, wrong_ways
from scanner.analysis.next_bar import Need
from scanner.analysis.rules import Rules
from scanner.analysis.trial import compiled_parts, forming_parts, spoken_parts
from scanner.analysis.trial.tapes import tapes
from tests.analysis import wrong_setups as wrong

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

RULES = Rules()
EXAMPLE = own("two_steps", "own_setup:SETUP", Path(__file__).parents[2] / "config")
SOUND = replace(EXAMPLE, measure=wrong.sound, find=wrong.find_sound, weigh=wrong.weigh_soundly, forming=None)


def said(setup: Setup[Any]) -> list[str]:
    return wrong_ways(Chosen(setup, setup.numbers()), RULES)


@cache
def measured(name: str) -> compiled_parts.Outcome:
    """Give what one of the two above measures at every bar, which takes most of the time of a trial."""
    setup = {"sound": SOUND, "example": EXAMPLE}[name]
    return compiled_parts.tried(compiled_parts.Compiled(Chosen(setup, setup.numbers())), tapes(RULES), RULES.warm_up)


def said_of_rest(setup: Setup[Any], measures: str, part: Callable[..., Iterator[str]]) -> list[str]:
    """Do one part of the trial of a setup that measures as one of the two above."""
    chosen, outcome = Chosen(setup, setup.numbers()), measured(measures)
    seen = outcome.samples() if part is spoken_parts.wrong else outcome
    try:
        return list(part(chosen, compiled_parts.Compiled(chosen), tapes(RULES), RULES, seen))
    except compiled_parts.TrialError as problem:
        return [str(problem)]


def test_the_example_passes_and_finds_something() -> None:
    assert said(EXAMPLE) == []
    assert said(SOUND) == []
    assert example_fit(Chosen(EXAMPLE, EXAMPLE.numbers()), RULES).verdicts.all()


@pytest.mark.parametrize("name", known())
def test_the_built_in_setups_pass(name: str) -> None:
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
        (wrong.rewriting, wrong.find_sound, "measure changes the bars that it is given"),
        (wrong.by_chance, wrong.find_sound, "measure gives another answer when asked again"),
        (wrong.sound, wrong.find_rewriting, "find changes the bars that it is given"),
        (
            wrong.measures_nothing,
            wrong.find_measures_nothing,
            "the rule direction holds where its measured value is NaN",
        ),
        (wrong.says_too_much, wrong.find_says_too_much, "measure does not return whether all verdicts hold"),
        (wrong.looks_ahead, wrong.find_looks_ahead, "measure looks ahead: with other bars after t"),
        (wrong.reads_far_back, wrong.find_reads_far_back, "measure reads further back than looks_back = 3"),
        (wrong.one_sided, wrong.find_one_sided, "the rule steps differs for long and short on reflected prices"),
        (wrong.sound, wrong.find_long_only, "find and measure disagree on the invented tapes: of "),
        (wrong.sound, wrong.find_backwards, "find does not write what it finds in order"),
        (wrong.sound, wrong.find_nothing_nearly, "find with a fourth column does not write every bar"),
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


def leaving(*_: object) -> NoReturn:
    raise SystemExit(0)


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
    "gives nothing": (replace(STEP, next_bar=lambda *_: []), "next_bar does not give a list of Needs"),
    "gives texts": (
        replace(STEP, next_bar=lambda *_: ["a rise"]),
        "next_bar does not give a list of Needs",
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
        "what is announced of the two steps one bar ahead and measure disagree on the invented tapes: of ",
    ),
}


@pytest.mark.parametrize("what", WRONG_AHEAD)
def test_what_is_wrong_one_bar_ahead(what: str) -> None:
    forming, sentence = WRONG_AHEAD[what]
    (found,) = said_of_rest(replace(EXAMPLE, forming=forming), "example", forming_parts.wrong)
    assert found.startswith(sentence)


@pytest.mark.parametrize(
    ("weigh", "sentence"),
    [
        (wrong.weigh_not_to_compile, "weigh does not compile: "),
        (wrong.weigh_raising, "weigh raises ValueError (no range); it must answer for any bar"),
        (wrong.weigh_too_much, "weigh writes more points than the 2 that points names"),
        (wrong.weigh_oddly, "weigh gives 9 for the point volume; write whether it holds, or UNKNOWN"),
        (wrong.weigh_no_base, "the base is nan at some bars; give a real price at every bar, held or missed"),
        (wrong.weigh_rewriting, "weigh changes the bars that it is given"),
        (wrong.weigh_before_no_close, "levels.closes must be 1 or more, and levels.bars 0 or more"),
        (wrong.weigh_base_beyond, "levels.base does not lie beyond levels.trigger, as a stop does"),
        (wrong.weigh_unmeasured, "the point beyond_fast_average holds where its measured value is NaN"),
        (wrong.weigh_strange_average, "levels.average is column 4, which is not an average"),
        (wrong.weigh_one_sided_point, "the point beyond_fast_average differs for long and short on reflected prices"),
        (wrong.weigh_one_sided_base, "levels.base differs for long and short on reflected prices"),
        (wrong.weigh_ahead, "weigh reads bars after t: with others there its answer for t changes"),
        (wrong.weigh_far_back, "weigh reads bars before t - 29: with others there its answer for t changes"),
        (wrong.weigh_without_spoiler, "the spoiler needs both a text and what it describes"),
    ],
    ids=lambda each: getattr(each, "__name__", ""),
)
def test_weighing_that_is_wrong(weigh: Callable[..., None], sentence: str) -> None:
    (found,) = said_of_rest(replace(SOUND, weigh=weigh), "sound", spoken_parts.wrong)
    assert found.startswith(sentence)


def words_but(**changes: Any) -> Callable[..., Words]:  # noqa: ANN401 - also what is wrong
    return lambda fit, numbers: replace(EXAMPLE.words(fit, numbers), **changes)


POINTS = {"beyond_fast_average": ("> 0", "a"), "volume": ("> 1", "b")}
COUNT = count()
SPOKEN: dict[str, tuple[Any, str]] = {
    "nothing": (lambda *_: None, "words gives a NoneType; give Words(rules, points, trigger, base, spoiler)"),
    "two rules": (words_but(rules=[("> 0", "a"), ("> 0", "b")]), "words gives 2 thresholds and texts for 3 rules"),
    "no pairs": (words_but(rules=["> 0"] * 3), "words does not give pairs of two texts"),
    "no pairs of points": (words_but(points={**POINTS, "volume": "b"}), "words does not give pairs"),
    "another point": (words_but(points={**POINTS, "gulls": ("> 0", "a")}), "words and points do not name the same"),
    "no trigger": (words_but(trigger=""), "words does not say what the trigger is; give a text"),
    "no base": (words_but(base=None), "words does not say what the base is; give a text"),
    "no spoiler": (words_but(spoiler=""), "the spoiler needs both a text and what it describes"),
    "no list": (words_but(rules=iter([])), "words must give its rules as a list and its points as a dict"),
    "two lines": (words_but(base="the low\nof it"), "words does not say what the base is; give a text in one line"),
    "a spoiler in two lines": (words_but(spoiler="a\nb"), "the spoiler must be a text in one line"),
    "by chance": (
        lambda fit, numbers: replace(EXAMPLE.words(fit, numbers), base=f"the low {next(COUNT)}"),
        "words gives other texts when asked again",
    ),
    "rewriting": (
        lambda fit, numbers: fit.series.fill(1.0) or EXAMPLE.words(fit, numbers),
        "words changes the bars that it is given",
    ),
    "leaving": (leaving, "words raises SystemExit (0); it must answer for any bar, held or missed"),
    "raising": (raising, "words raises KeyError ('gull'); it must answer for any bar, held or missed"),
}


@pytest.mark.parametrize("what", SPOKEN)
def test_words_of_a_wrong_shape(what: str) -> None:
    give, sentence = SPOKEN[what]
    (found,) = said_of_rest(replace(SOUND, words=give), "sound", spoken_parts.wrong)
    assert found.startswith(sentence)


def test_the_whole_trial_tells_of_each_part() -> None:
    silent = replace(EXAMPLE, forming=WRONG_AHEAD["asks one side"][0], words=words_but(trigger=""))
    assert [found.partition(" ")[0] for found in said(silent)] == ["words", "next_bar"]
    (found,) = said(replace(silent, weigh=wrong.weigh_raising))
    assert found.startswith("weigh raises ValueError")


@pytest.mark.parametrize("looks_back", [1, 250])
def test_a_reach_that_the_bars_or_the_warm_up_rule_out(looks_back: int) -> None:
    (found,) = said(replace(SOUND, looks_back=looks_back))
    assert found == f"looks_back is {looks_back}; with 3 bars and a warm-up of 250 bars it must be 2 to 249"
