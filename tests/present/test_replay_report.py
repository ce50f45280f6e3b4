"""The report of a replay."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.events import Event
from scanner.follow.outcome import Came
from scanner.market.price_steps import GuessedStep
from scanner.present.reports.replay_report import ReplayReport, summary
from scanner.replays.replay import Tally

if TYPE_CHECKING:
    from scanner.event_data import State


def test_a_guessed_step_says_how_many_prices_fit() -> None:
    tallies = [
        Tally("GANNET", "gannet.csv", step="0.01", guessed_step=GuessedStep(Decimal("0.01"), 1_000, 1_000)),
        Tally("PETREL", "petrel.csv", step="0.001", guessed_step=GuessedStep(Decimal("0.001"), 988, 1_000)),
        Tally("PUFFIN", "puffin.csv", step="0.25"),
    ]
    lines = summary(tallies, "UTC")
    assert lines[1].endswith("0.01 estimated")
    assert lines[3].endswith(" 0.25")
    assert lines[-2:] == [
        "price step    estimated for 2 of 3 instruments; 1,988 of 2,000 prices fit",
        "              PETREL 0.001: 988 of 1,000 prices fit",
    ]
    assert not any("estimated" in line for line in summary(tallies[2:], "UTC"))


def came(thread: str, state: State, r: str = "", *, aside: bool = False, cost: str = "") -> Came:
    """Give the outcome of a setup."""
    entered = bool(r) or state == "open"
    entry = Decimal(10) if entered else None
    return Came(thread, aside, state, entry, r=Decimal(r) if r else None, cost=Decimal(cost) if cost else None)


def setup(thread: str, *, aside: str = "") -> Event:
    data = {
        "instrument": "GANNET",
        "timeframe": "1d",
        "setup": "hammer",
        "title": "hammer",
        "direction": "long",
        "bar_open": "2024-05-06T00:00:00Z",
        "place": "level",
        "evidence_points": 3,
        "evidence_total": 10,
        "entry_style": "break",
        "set_aside": aside,
        "levels": {"stop": "40.00"},
        "exit_plan": {"style": "quick"},
        "entries": {"break": {"price": "41.00", "objectives": ["42.00"], "room": "1.20"}},
    }
    return Event("setup.set_aside" if aside else "setup.qualified", thread, 1_715_040_000, "", data, thread=thread)


ENDED = (
    came("a", "stopped", "-1.00", cost="0.04"),
    came("b", "left", "2.50"),
    came("c", "left_on_pressure", "0.25"),
    came("d", "lapsed"),
    came("e", "open"),
    came("f", "stopped", "-1.25", aside=True),
)


def test_each_setup_has_its_outcome_beside_it() -> None:
    report = ReplayReport("UTC")
    for thread in "abcdeg":
        report.add(setup(thread))
    report.add(setup("f", aside="cost: 0.21 (<= 0.1)"))
    for each in ENDED:
        report.learn(each)
    lines = report.lines(120)
    assert lines[0].split()[-4:] == ["exit", "outcome", "R", "cost"]
    assert [line.split()[-3:] for line in lines[1:7]] == [
        ["stopped", "-1.00", "0.04"],
        ["exited", "+2.50", "-"],
        ["exit", "+0.25", "-"],  # «pressure exit»
        ["lapsed", "-", "-"],
        ["open", "-", "-"],
        ["entry", "-", "-"],  # «no entry»: of the style that is followed
    ]
    assert lines[9].endswith("cost: 0.21 (<= 0.1); followed: stopped -1.25 R")
    assert report.lines(None) == lines
    narrow = report.lines(80)
    assert max(map(len, narrow[:12])) <= 80
    assert narrow[:3] == [
        "1997-03-04  GANNET  1d  long  level",
        "    evidence 3 of 10, entry 41.00, stop 40.00, 1R at 42.00, room 1.20,",
        "    exit quick, outcome stopped, R -1.00, cost 0.04",
    ]


def test_the_summary_counts_outcomes_with_the_caution_beside_the_sum() -> None:
    tally = Tally("GANNET", "gannet.csv", step="0.01")
    for each in ENDED:
        tally.learn(each)
    lines = summary([tally, Tally("PETREL", "petrel.csv", step="0.01")], "UTC")
    begin = next(number for number, line in enumerate(lines) if line.startswith("followed"))
    assert lines[begin:] == [
        "followed      5 (entered 4; open 1, stopped 1, exited 1, pressure exit 1, lapsed 1, spoiled 0)",
        (
            "              +1.75 R in all, -0.75 without the best, of 3 closed, before costs, which were 0.04 R "
            "for the 1 whose costs are known; past results prove nothing"
        ),
        "aside         1 (entered 1; open 0, stopped 1, exited 0, pressure exit 0, lapsed 0, spoiled 0)",
        "              -1.25 R in all, of 1 closed, before costs; past results prove nothing",
    ]
