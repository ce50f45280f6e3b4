"""The plain reading of rules and evidence, on tapes small enough for pencil and paper."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from tests.outside.hand_tapes import PLAIN, A, B, Change, D, judge, quiet, quiet_at, read, tape_with
from tests.outside.plain_obstacles import Obstacle
from tests.outside.plain_reading import DIRECTIONS, Reading
from tests.outside.plain_terms import Bar, Measured
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from tests.outside.plain_reading import Finding

RULES = (
    "drive_direction",
    "drive_length",
    "not_exhausted",
    "drive_solid",
    "doji_body",
    "doji_short",
    "drives_alike",
    "progress",
    "momentum",
    "traded",
    "place",
)


def verdicts(finding: Finding) -> dict[str, bool | None]:
    return {name: rule.verdict for name, rule in finding.rules.items()}


def test_the_pause_is_found_with_its_figures() -> None:
    (found,) = read(tape_with())
    assert (found.t, found.direction, found.low_bar, found.low) == (B, "long", B - 9, Decimal(99))
    assert verdicts(found) == dict.fromkeys(RULES, True)
    measured = {name: rule.measured for name, rule in found.rules.items()}
    assert measured == {
        "drive_direction": 2,
        "drive_length": 2,  # 2 of a usual body of 1
        "not_exhausted": Decimal("1.4"),  # 2.8 of an ATR of 2
        "drive_solid": pytest.approx(Decimal(2) / Decimal("2.8")),  # B, with 2 of 2.6, is more solid
        "doji_body": Decimal("0.1"),  # exactly the threshold
        "doji_short": pytest.approx(1 / Decimal("2.8")),
        "drives_alike": 1,
        "progress": Decimal("1.5"),  # 104.1 over 102.6, the doji's high
        "momentum": 2,  # A is the first close off 100: line and signal leave 0, the line first
        "traded": 0,
        "place": 1,
    }


def test_the_evidence_of_the_pause() -> None:
    (found,) = read(tape_with())
    assert {name: point.verdict for name, point in found.evidence.items()} == {
        "place_line": False,
        "place_average": True,
        "place_level": False,
        "place_turn": False,
        "engulfing": True,  # the bar before A fell from 101 to 100, A rose from 100 to 102
        "doji_inside": False,  # the doji's high is 0.2 above that of A
        "doji_quiet": False,  # 1.0 / 2.8 = 0.357
        "beyond_fast": True,
        "beyond_slow": True,
        "volume": True,  # 150 over (19·100 + 150) / 20 = 102.5
    }
    assert found.points == (5, 10)
    assert found.evidence["volume"].measured == pytest.approx(Decimal(150) / Decimal("102.5"))


@pytest.mark.parametrize(
    ("change", "point", "verdict"),
    [
        ({B - 3: "101 101 99 99.99"}, "engulfing", False),  # A opens above that close
        ({B - 3: "102 102 99 100"}, "engulfing", True),  # the bodies end at one price
        ({B - 3: "102.01 102.1 99 100"}, "engulfing", False),
        ({D: "102 102.4 101.4 102.1"}, "doji_inside", True),  # the highs are equal
        ({D: "102 102.58 101.6 102.05"}, "doji_quiet", True),  # 0.98 = 0.35 · 2.8
        ({D: "102 102.58 101.59 102.05"}, "doji_quiet", False),
        ({B: "102.1 104.5 101.9 104.1 100"}, "volume", False),  # no more than the mean of twenty times 100
        ({B - 19: "99 101 99 100 -"}, "volume", None),  # one of the twenty is missing
        ({B - 20: "101 101 99 100 -"}, "volume", True),  # the one before them does not matter
    ],
)
def test_a_point_of_evidence(change: Change, point: str, verdict: bool | None) -> None:
    finding = judge(tape_with(change), B, "long")
    assert finding.evidence[point].verdict is verdict
    assert finding.points[1] == (9 if verdict is None else 10)


MISSES: list[tuple[str, Change]] = [
    # B falls, from a gap: 106.1 to 104.1.
    ("drive_direction", {B: "106.1 106.5 103.9 104.1"}),
    # body_A = 0.99 of a usual body of 1.
    ("drive_length", {A: "101.01 102.4 100.9 102", B: "102.5 104.5 101.9 104.1"}),
    # range_A = 6.1 of 3 · 2.
    ("not_exhausted", {A: "99.2 105.2 99.1 102.8", D: "102.8 103.4 102.4 102.9", B: "102.9 105.5 102.7 105.1"}),
    # The same of range_B; its body of 3.05 is half of that and 1.525 bodies of A.
    ("not_exhausted", {B: "102.05 106.2 100.1 105.1"}),
    # body_A = 2 of a range of 4.1; then body_B = 2 of 4.05.
    ("drive_solid", {A: "100 103.2 99.1 102"}),
    ("drive_solid", {B: "102.1 105.95 101.9 104.1"}),
    # body_D = 0.11 where max(0.10 · 1.0, 0.05 · 2.0) = 0.10.
    ("doji_body", {D: "102 102.6 101.6 102.11"}),
    # range_D = 2.11 of at most 0.75 · 2.8 = 2.1.
    ("doji_short", {D: "102 103.2 101.09 102.1"}),
    # body_B = 3.51 of at most 1.75 · 2 = 3.5; then 1.14 of at least 2 / 1.75 = 1.1429.
    ("drives_alike", {B: "100.59 104.5 100.5 104.1"}),
    ("drives_alike", {B: "102.96 104.5 102.5 104.1"}),
    # The doji's high is B's close.
    ("progress", {D: "102 104.1 102 102.1"}),
    # D stands still and nothing was traded.
    ("traded", {D: "102.1 102.1 102.1 102.1 0", B: "102.1 105.2 101.9 104.1"}),
    # P = 98.9 is 1.1 from the averages; half of the ATR is 1.015.
    ("place", {B - 9: "101 101 98.9 100"}),
]

KEPT: list[tuple[str, Change]] = [
    ("drive_length", {A: "101 102.4 100.9 102", B: "102.5 104.5 101.9 104.1"}),  # 1 of 1
    ("not_exhausted", {A: "99.2 105.1 99.1 102.8", D: "102.8 103.4 102.4 102.9", B: "102.9 105.5 102.7 105.1"}),
    ("not_exhausted", {B: "102.05 106.1 100.1 105.1"}),  # 6 of 3 · 2
    ("drive_solid", {A: "100 103.1 99.1 102"}),  # 2 of 4
    ("doji_body", {D: "102 102.5 101.7 102.1"}),  # more than 0.10 of 0.8, but just 0.05 of A's body
    ("doji_short", {D: "102 103.2 101.1 102.1"}),  # 2.1 of 2.1
    ("drives_alike", {B: "100.6 104.5 100.5 104.1"}),  # 3.5 of 3.5
    ("drives_alike", {B: "102.95 104.5 102.5 104.1"}),  # 1.15 of at least 1.1429
    ("progress", {D: "102 104.1 102 102.1", B: "102.1 104.5 101.9 104.11"}),
    ("traded", {D: "102.1 102.1 102.1 102.1 1", B: "102.1 105.2 101.9 104.1"}),
    ("traded", {D: "102.1 102.1 102.1 102.1 -", B: "102.1 105.2 101.9 104.1"}),  # a missing volume is not zero
]


@pytest.mark.parametrize(("rule", "change"), MISSES)
def test_one_rule_broken_is_not_a_setup(rule: str, change: Change) -> None:
    bars = tape_with(change)
    assert verdicts(judge(bars, B, "long")) == dict.fromkeys(RULES, True) | {rule: False}
    assert read(bars) == []


@pytest.mark.parametrize(("rule", "change"), KEPT)
def test_a_rule_just_kept_is_a_setup(rule: str, change: Change) -> None:
    bars = tape_with(change)
    assert judge(bars, B, "long").rules[rule].verdict
    assert [found.t for found in read(bars)] == [B]


@pytest.mark.parametrize(
    ("doji", "rule", "kept"),
    [
        ("102 102.6 101.6 102.2", "doji_body", True),  # 0.2 of a range of 1, and 0.1 of A's body of 2
        ("102 102.6 101.6 102.21", "doji_body", False),
        ("102 102.4 101.7 102.2", "doji_body", True),  # more than 0.2 of 0.7
        ("102 103.6 101.08 102.1", "doji_short", True),  # 2.52 of 0.9 · 2.8
        ("102 103.6 101.07 102.1", "doji_short", False),
    ],
)
def test_the_wider_pause(doji: str, rule: str, kept: bool) -> None:
    bars = tape_with({D: doji})
    wide = judge(bars, B, "long", {"pause": "small_bar"})
    assert verdicts(wide) == dict.fromkeys(RULES, True) | {rule: kept}
    assert not judge(bars, B, "long").rules[rule].verdict
    assert wide.evidence["true_doji"].verdict == (rule != "doji_body")
    assert "true_doji" not in judge(bars, B, "long").evidence


@pytest.mark.parametrize(("step_up", "bars_ago", "verdict"), [(B - 10, 10, True), (B - 11, 11, False)])
def test_momentum_needs_a_fresh_cross(step_up: int, bars_ago: int, verdict: bool) -> None:
    # All closes from step_up on are half a point higher. The line, until then 0, leaves its signal there and goes on
    # rising for more than ten bars, so that the signal cannot catch up before A.
    higher: Change = {A: "100.5 102.9 100.1 102.5", D: "102.5 103.1 102.1 102.6", B: "102.6 105 102.4 104.6"}
    bars = tape_with(quiet_at("100.5", step_up, A), higher)
    finding = judge(bars, B, "long")
    assert verdicts(finding) == dict.fromkeys(RULES, True) | {"momentum": verdict}
    assert finding.rules["momentum"].measured == bars_ago
    assert len(read(bars)) == verdict


def test_a_cross_that_is_undone_is_not_momentum() -> None:
    # One close of 101, then 100 again. Line and signal, in hundredths: 7.98 and 1.60, 6.16 and 2.51, 4.66 and 2.94,
    # 3.44 and 3.04, 2.44 and 2.92: the line is below again four bars later.
    bars = [quiet(number, "101" if number == B - 6 else "100") for number in range(B + 1)]
    reading = Reading(bars)
    assert [t for t in range(B + 1) if reading.sides["long"].crossed_up(t)] == [B - 6]
    assert [t for t in range(B + 1) if reading.sides["long"].crossed_down(t)] == [B - 2]
    assert reading.judge(B, "long").rules["momentum"] == Measured(Decimal(6), verdict=False)


def test_no_setup_before_the_warm_up() -> None:
    bars = tape_with()
    assert [found.t for found in read(bars[2:])] == [249]
    assert read(bars[3:]) == []
    assert [found.t for found in read(bars[3:], {"warm_up": 249})] == [248]
    with pytest.raises(ValueError, match="bar 248 is not among the bars 249 to 251"):
        judge(bars, 248, "long")


def test_the_short_side_is_the_long_side_reflected() -> None:
    bars = tape_with({200: "100 101 98 100", 220: "100 101 98.2 100"}, {210: "99 106 99 100", 225: "99 106 99 100"})
    (found,) = read(bars)
    upside_down = [Bar(200 - one.open, 200 - one.low, 200 - one.high, 200 - one.close, one.volume) for one in bars]
    (mirrored,) = read(upside_down)
    assert (mirrored.t, mirrored.direction, mirrored.low_bar, mirrored.low) == (
        found.t,
        "short",
        found.low_bar,
        Decimal(101),
    )
    assert mirrored.rules == found.rules
    assert mirrored.evidence == found.evidence
    assert {name: price and 200 - price for name, price in mirrored.places.items()} == found.places
    assert 200 - mirrored.levels.stop == found.levels.stop
    below, above = mirrored.levels.entries["break"], found.levels.entries["break"]
    assert below is not None
    assert above is not None
    assert below.obstacle == Obstacle(Decimal(94), frozenset({"swing", "extreme"}))
    assert below.room == above.room
    assert tuple(200 - price for price in below.objectives) == above.objectives


def random_bars(seed: int) -> list[Bar]:
    return [Bar.of(*row) for row in tape(seed)]


def test_later_bars_change_nothing() -> None:
    bars = random_bars(0)
    found = read(bars)
    assert len(found) > 1
    for one in found:
        assert read(bars[: one.t + 1])[-1] == one


def test_a_judgement_and_a_finding_are_the_same() -> None:
    bars = random_bars(1)
    reading = Reading(bars, PLAIN)
    judged = [reading.judge(t, direction) for t in range(249, len(bars)) for direction in DIRECTIONS]
    assert [finding for finding in judged if finding.qualified] == reading.findings()
