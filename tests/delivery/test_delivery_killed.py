"""A station killed while it delivers to a real broker that restarts; ``kill_delivery`` is the long version."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.delivery.child import alert
from tests.service.kill_delivery import Report, run

if TYPE_CHECKING:
    from pathlib import Path


def test_every_alert_arrives_in_order_however_often_the_station_is_killed(tmp_path: Path) -> None:
    report = run(tmp_path, alerts=200, kills=4, restarts=1, seed=7)
    assert (report.kills, report.restarts) == (4, 1)
    assert report.kills_amid > 0, report.lines()
    assert (report.lost, report.never_said, report.out_of_order) == (0, 0, 0), report.lines()


def test_the_report_would_notice() -> None:
    said = [alert(number).id for number in range(10)]
    assert Report(10, arrived=[*said[5:], *said[:5], *said]).lines() == Report(10, arrived=[*said, *said]).lines()
    assert Report(10, arrived=[*said[:3], *said[4:]]).lost == 1
    assert Report(10, arrived=[said[1], *said]).out_of_order == 1
    assert Report(10, arrived=[*said, "another"]).never_said == 1
