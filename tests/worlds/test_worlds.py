"""Some simulated worlds, all without faults and reproducible, and a planted defect that they find and reduce."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from tests.effort import EFFORT
from tests.worlds.__main__ import main
from tests.worlds.plan import MISCHIEF, Plan
from tests.worlds.planted import DoubledDelivery
from tests.worlds.running import outcome, silent, smallest

if TYPE_CHECKING:
    import pytest

WORLDS = 16 * EFFORT
HAPPENS = {
    *("kills", "power-cuts", "torn writes", "stops", "compactions", "upkeep", "gave up and was started again"),
    *("feed breaks", "feed hangs", "feed is silent", "feed refuses", "odd answers"),
    *("disk read errors", "disk write errors", "disk hangs", "sink failures", "sink refusals", "answers lost"),
    *("decisions", "decisions refused", "reloads", "lists changed at a start", "repeated deliveries"),
    *("bars late", "bars restated", "bars that never came", "clock jumps"),
    *("setups said", "endings said", "setup.withdrawn", "setup.broken_off", "feed.late", "station.caught_up"),
}


def test_all_laws_hold_in_worlds_in_which_all_kinds_of_things_happen() -> None:
    counts: Counter[str] = Counter()
    with silent():
        for seed in range(1, WORLDS + 1):
            found = outcome(Plan.of(seed))
            assert found.faults == (), found.plan.command
            counts += found.counts
    assert {what for what in HAPPENS if not counts[what]} == set()


def test_a_world_goes_the_same_way_every_time() -> None:
    plan = Plan(5, 20, frozenset(MISCHIEF))
    with silent():
        assert outcome(plan).counts == outcome(plan).counts


def test_a_planted_defect_is_found_and_its_world_reduced() -> None:
    plan = Plan(1, 4, frozenset({"kills", "stops", "late-bars"}))
    with silent():
        assert any("delivered twice" in fault for fault in outcome(plan, DoubledDelivery).faults)
        small = smallest(plan, lambda each: bool(outcome(each, DoubledDelivery).faults))
    assert small == Plan(1, 1, frozenset())


def test_the_command_of_a_world_shows_that_world(capsys: pytest.CaptureFixture[str]) -> None:
    plan = replace(Plan.of(3), bars=4, kinds=frozenset({"kills"}) & Plan.of(3).kinds)
    words = plan.command.split()
    assert words[:3] == ["python", "-m", "tests.worlds"]
    assert main(words[3:]) == 0
    said = capsys.readouterr().out.splitlines()
    assert (said[0], said[-1]) == (plan.command, "no fault")
