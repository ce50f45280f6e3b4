"""A watching station that is killed and restarted publishes what a replay does, whatever is decided meanwhile.

`kill_watch` does it more often.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.service.kill_watch import torment

if TYPE_CHECKING:
    from pathlib import Path


def test_killed_at_random_moments_nothing_is_missing_and_nothing_published_twice(tmp_path: Path) -> None:
    report = torment(tmp_path, kills=2, seed=2, undisturbed=False)
    assert report.good, "\n".join(report.lines())
    assert report.kills == 2
    assert report.decisions.asked["kept"]
    assert any('"closewatch.setup.closed"' in line for line in report.replayed)
