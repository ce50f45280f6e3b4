"""What the page knows of the station: read from the store when that has changed, and kept between requests."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from threading import Event as Signal
from threading import Thread
from typing import TYPE_CHECKING

from scanner.commands.station.risk_notes import RiskNotes
from scanner.events import KINDS
from scanner.page.known.summary import Summary, summary_of
from scanner.service.status import facts, status
from scanner.store import Store, StoreTroubleError
from scanner.store.database import identity
from scanner.store.lock import holder

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from scanner.events import Event, Kind
    from scanner.journal.open_risk import Position
    from scanner.journal.stories import Story
    from scanner.page.known.configured import Configured
    from scanner.page.workroom.work import Work
    from scanner.present.reports.status_report import Status
    from scanner.store import KeptDecision, KeptEvent

EVERY = 0.1
"""Seconds between two checks whether the store has changed."""
ANYWAY = 5.0
"""Seconds after which the series are read again even if nothing has changed, since closes come and go."""
REST = 4
"""After reading all series the reader rests for this many times as long."""
CACHE_KIB = 1_024
RECENT = 8
OF_WATCHING: tuple[Kind, ...] = tuple(kind for kind, about in KINDS.items() if about.about != "setup")


@dataclass(frozen=True, slots=True)
class Board:
    """The state of the station at one look. ``version`` counts the looks that found a change.

    ``status`` is None until the series have been read for the first time; ``trouble`` says why the store cannot be
    read; the rest is then unchanged. ``held`` are the positions at risk by the ids of their stories; ``recent`` has
    the latest events about the station itself, the newest first.
    """

    version: int = 0
    status: Status | None = None
    summary: Summary = field(default_factory=Summary)
    stories: Sequence[Story] = ()
    decisions: Mapping[str, Sequence[KeptDecision]] = field(default_factory=dict)
    held: Mapping[str, Position] = field(default_factory=dict)
    recent: Sequence[KeptEvent] = ()
    trouble: str = ""


class Looker:
    """Reads the store of a station, in its own thread once it is started.

    ``now`` gives nanoseconds since 1970 UTC, ``passed`` seconds that never go back.
    """

    def __init__(
        self,
        configured: Configured,
        now: Callable[[], int] = time.time_ns,
        passed: Callable[[], float] = time.monotonic,
    ) -> None:
        self.configured = configured
        self.board = Board()
        self._now, self._passed = now, passed
        self._risk: RiskNotes | None = None
        """The notes on risk, with the store that this reads."""
        self._views: Store | None = None
        self._seen: object = None
        self._file: object = None
        self._series_at = -ANYWAY
        self._series_took = 0.0
        self._behind = True
        """Whether the store has changed since the series were read."""
        self._stop = Signal()
        self._thread: Thread | None = None

    @property
    def store(self) -> Store:
        """The store, opened for answering requests; StoreTroubleError if it cannot be opened."""
        if self._views is None:
            self._views = self._opened()
        return self._views

    @property
    def work(self) -> Work:
        """Answers what needs the rules."""
        return self.configured.work

    def start(self, tell: Callable[[Board], None]) -> None:
        """Start looking, and pass on every board that differs."""

        def run() -> None:
            while not self._stop.is_set():
                if self.look():
                    tell(self.board)
                self._stop.wait(EVERY)

        self._thread = Thread(target=run, name="looking", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop looking, and close the store."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        if self._risk is not None:
            self._risk.store.close()
        if self._views is not None:
            self._views.close()
        self._risk = self._views = None

    def look(self) -> bool:
        """Look once; gives whether there is a new version."""
        before = self.board
        try:
            self.board = self._looked()
        except StoreTroubleError as problem:
            if str(problem) != before.trouble:
                self.board = replace(before, version=before.version + 1, trouble=str(problem))
        return self.board.version != before.version

    def _looked(self) -> Board:
        board, file = self.board, identity(self.configured.known.outline.store_path)
        if self._risk is None or file != self._file:
            # The open file was replaced. Requests that still use it keep it until they end.
            self._risk = RiskNotes(self._opened(), lambda: self.configured.known.outline)
            self._views, self._file, self._seen = None, file, None
        store, seen = self._risk.store, self._risk.store.database.version()
        if seen != self._seen or board.trouble:
            self._seen = None
            board = _stories(self._risk, board)
            self._seen, self._behind = seen, True
        begun = self._passed()
        if begun - self._series_at >= max(0.0 if self._behind else ANYWAY, REST * self._series_took):
            board = self._series(store, board)
            self._behind, self._series_at, self._series_took = False, begun, self._passed() - begun
        return board

    def risk_of(self, event: Event) -> list[str]:
        """Say what the open risk would be after taking a setup, and which other positions are the same bet."""
        return [] if self._risk is None else self._risk(event)

    def _series(self, store: Store, board: Board) -> Board:
        """Read all series, which may be many."""
        self.configured.look_again()
        about = self.configured.known.outline
        running = holder(about.store_path)
        new = status(about, facts(store, about.listed), self._now(), running)
        summed = summary_of(new)
        is_same = summed == board.summary and board.status is not None and replace(board.status, now=new.now) == new
        return replace(board, status=new, summary=summed, version=board.version + (not is_same))

    def _opened(self) -> Store:
        path = self.configured.known.outline.store_path
        store = Store.open(path, self._now, visiting=True)
        store.database.spare_memory(CACHE_KIB)
        return store


def _stories(risk: RiskNotes, board: Board) -> Board:
    """Read events and decisions, which is quick."""
    store, (stories, held) = risk.store, risk.look()
    new = replace(
        board,
        stories=stories,
        held=held,
        decisions={each.id: store.decisions.on(each.id) for each in stories},
        recent=store.events.before(store.events.last() + 1, OF_WATCHING, RECENT),
        trouble="",
    )
    # A delivery marked as sent changes the store, too, but nothing that the page shows.
    return board if new == board else replace(new, version=board.version + 1)
