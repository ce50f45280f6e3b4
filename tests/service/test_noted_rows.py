"""Notes about rows are logged without filling the log."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from structlog.testing import capture_logs

from scanner.market.guard import Note
from scanner.service.committing import Committer
from scanner.service.desk import Taken
from scanner.service.intake.noted_rows import NotedRows
from scanner.service.to_report import ToReport

if TYPE_CHECKING:
    from scanner.market.guard import Reason


class Said(list[tuple[str, dict[str, Any]]]):
    """A log that keeps its lines."""

    def info(self, event: str, **more: object) -> None:
        self.append((event, more))


def note(series: int, reason: Reason = "no trade") -> Note:
    return Note(f"tape {series}", series, reason, f"nobody traded {series}", refused=False)


def test_a_note_a_minute_of_many_series_is_a_line_a_minute_and_none_is_lost() -> None:
    said, now = Said(), 0.0
    rows = NotedRows(said, lambda: now)
    for _ in range(240):
        rows.add([note(series) for series in range(150)])
        now += 1.0
    rows.add([note(7, "missing bars")])
    rows.finish()
    assert said[0] == ("row noted", {"source": "tape 0", "row": 0, "reason": "no trade", "text": "nobody traded 0"})
    assert [event for event, _ in said] == ["row noted", *["rows noted"] * 3, "rows noted", "row noted"]
    bundles = [more for event, more in said if event == "rows noted"]
    assert 1 + sum(more["count"] for more in bundles) == 240 * 150
    assert bundles[0] == {
        "reason": "no trade",
        "count": 60 * 150 - 1,
        "sources": 150,
        "some": [f"tape {series}" for series in range(1, 11)],
        "last": "tape 149, row 149: nobody traded 149",
    }


def test_after_a_minute_without_notes_a_note_is_logged_at_once() -> None:
    said, now = Said(), 0.0
    rows = NotedRows(said, lambda: now)
    for later in (0.0, 61.0, 61.0):
        now += later
        rows.add([note(1)])
        rows.add([])
    rows.finish()
    assert [event for event, _ in said] == ["row noted"] * 3


async def test_what_the_desk_notes_of_a_thousand_series_is_not_a_thousand_lines() -> None:
    desk: Any = SimpleNamespace(watched={}, take=lambda *_: Taken(notes=[note(series) for series in range(1_000)]))
    clock: Any = SimpleNamespace(now=lambda: 0)
    with capture_logs() as logged:
        committer = Committer(desk, ToReport("loft"), clock=clock, delivery=None, on_event=print, turn_within=30.0)
        for _ in range(4):
            await committer.take([])
    assert [line["event"] for line in logged] == ["row noted"]
