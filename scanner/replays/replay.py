"""Replay: recorded bars through the same pipeline as live ones, counted as they pass."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal
from hashlib import sha256
from itertools import chain
from typing import TYPE_CHECKING, Protocol

import numpy as np

from scanner.follow.outcome import Came
from scanner.market.guard import NOTED
from scanner.market.sessions.timeframes import ALL, DAY_SECONDS, Timeframe, usual_spacing
from scanner.replays.contradictions import is_mostly_refused
from scanner.wording.words import by_reason

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from scanner.event_data import State
    from scanner.events import Event
    from scanner.market.bars import RawBars
    from scanner.market.guard import Checked, Guard, Note
    from scanner.market.price_steps import GuessedStep
    from scanner.market.sessions.timetables import Timetable
    from scanner.pipeline import Pipeline
    from scanner.ports import UnderstoodFile

BLOCK = 65_536
"""Rows processed together: few enough to stay in the processor's cache, and as many as a pool has room for."""

MARKED = 4_096
"""The number of first bars by which identical recordings are recognised."""

SHORTEST_MONTH, LONGEST_MONTH = 28, 31
"""Days."""

SHOWN = 60
"""The most letters shown of an instrument's name."""


class ReplayError(Exception):
    """A recording cannot be replayed; the message is one sentence that says what, where and what to do."""

    exit_code = 2


class MostlyRefusedError(ReplayError):
    """Too many rows of a recording are refused for the rest to be reliable."""

    def __init__(self, tally: Tally, timetable: Timetable) -> None:
        """Take what was read so far, and the timetable used to check the rows."""
        super().__init__(
            f"{tally.source}: {tally.refused.total():,} of the first {tally.rows:,} rows of "
            f"{tally.symbol[:SHOWN]!r} are refused ({by_reason(tally.refused)}), more than a fifth, so the "
            "rest is not used either"
        )
        self.timetable = timetable
        self.reasons = {*tally.refused}


class Recording(Protocol):
    """The bars of one instrument in one file; ``bars`` is read lazily and only once."""

    @property
    def symbol(self) -> str:
        """Name of the instrument."""

    @property
    def path(self) -> Path:
        """The file it is from."""

    @property
    def bars(self) -> Iterator[RawBars]:
        """Its rows, in chunks; at least one."""

    def again(self) -> Iterator[RawBars]:
        """Read its rows once more, from the first one on."""

    def understood(self) -> Sequence[UnderstoodFile]:
        """Say how its files were read, as far as they have been read."""


@dataclass(slots=True)
class Outcomes:
    """The outcomes of the setups that were followed: their number by state, and the sum of the closed ones.

    ``r`` is in real R before costs, and ``best`` the best of them; ``cost`` sums the costs of the ``costed`` ones,
    whose costs are known.
    """

    states: Counter[State] = field(default_factory=Counter)
    entered: int = 0
    closed: int = 0
    r: Decimal = Decimal(0)
    best: Decimal = Decimal("-Infinity")
    costed: int = 0
    cost: Decimal = Decimal(0)

    def count(self, came: Came) -> None:
        """Count a story."""
        self.states[came.state] += 1
        self.entered += came.entered
        if came.r is not None:
            self.closed += 1
            self.r += came.r
            self.best = max(self.best, came.r)
            if came.cost is not None:
                self.costed += 1
                self.cost += came.cost

    def __add__(self, other: Outcomes) -> Outcomes:
        """Add two tallies."""
        return Outcomes(
            self.states + other.states,
            self.entered + other.entered,
            self.closed + other.closed,
            self.r + other.r,
            max(self.best, other.best),
            self.costed + other.costed,
            self.cost + other.cost,
        )


@dataclass(slots=True)
class Tally:
    """The tally of one recording: rows read, bars refused and noted by reason, setups by direction."""

    symbol: str
    source: str
    timeframes: tuple[str, ...] = ()
    step: str = ""
    guessed_step: GuessedStep | None = None
    """The estimate of the price step, None if the step was given."""
    rows: int = 0
    bars: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    noted: Counter[str] = field(default_factory=Counter)
    setups: Counter[str] = field(default_factory=Counter)
    set_aside: int = 0
    ends: Outcomes = field(default_factory=Outcomes)
    """Outcomes of the setups found."""
    ends_aside: Outcomes = field(default_factory=Outcomes)
    """Outcomes of those set aside."""
    held: int = 0
    unready: list[str] = field(default_factory=list)
    """Timeframes with too few bars for any setup to be reported, and their number of bars."""
    first: int | None = None
    last: int | None = None
    mark: bytes = b""
    """A fingerprint of the first bars that were replayed, whatever the name of the instrument."""

    @property
    def is_mostly_refused(self) -> bool:
        """Whether too many rows were refused for the rest to be reliable; bars that have not closed do not count."""
        return is_mostly_refused(self.refused.total() - self.refused["not ended"], self.rows)

    def count(self, rows: int, checked: Checked) -> None:
        """Count rows, and the guard's results."""
        self.rows += rows
        self.bars += len(checked.bars)
        for reason, count in checked.counts.items():
            (self.noted if reason in NOTED else self.refused)[reason] += count
        if len(checked.bars):
            self.first = int(checked.bars.open_time[0]) if self.first is None else self.first
            self.last = int(checked.bars.close_time[-1])

    def hear(self, event: Event) -> None:
        """Count an event."""
        if event.kind == "setup.qualified":
            self.setups[event.data["direction"]] += 1
        elif event.kind == "setup.set_aside":
            self.set_aside += 1
        elif event.kind == "series.held":
            self.held += 1

    def learn(self, came: Came) -> None:
        """Count the outcome of a setup."""
        (self.ends_aside if came.set_aside else self.ends).count(came)

    def end(self, pipeline: Pipeline) -> None:
        """Note which timeframes never had enough bars."""
        for lane in pipeline.lanes:
            series = lane.engine.series
            if not series.warm and not self.held:
                self.unready.append(
                    f"{lane.timeframe.name}: {series.count:,} bars of the {series.pool.rules.warm_up:,} needed"
                )


MANY = 5
"""If more than one row in this many lies before the row above it, the rows are in no order."""


def base_timeframe(first: RawBars, recording: Recording) -> Timeframe:
    """Find the timeframe of a recording from the spacing of its first rows."""
    stamps, symbol = first.stamp, repr(recording.symbol[:SHOWN])
    found = Timeframe.from_spacing(stamps)
    if found is None and len(stamps) > 1 and MANY * int((stamps[1:] < stamps[:-1]).sum()) > len(stamps):
        raise ReplayError(f"{recording.path}: the rows of {symbol} are not in order of time; sort them by time")
    if found is None:
        raise ReplayError(f"{recording.path}: {_spacing(symbol, stamps)}")
    return found


def _spacing(symbol: str, stamps: NDArray[np.int64]) -> str:
    """Say what is wrong with the spacing of bars that match no timeframe."""
    apart = usual_spacing(stamps)
    if apart is None:
        return f"the spacing of the bars of {symbol} shows no timeframe; at least two bars in order of time are needed"
    days = apart / DAY_SECONDS
    if SHORTEST_MONTH <= days <= LONGEST_MONTH:
        return f"the bars of {symbol} are monthly; the longest timeframe is a week, so give daily or weekly bars"
    units = ((DAY_SECONDS, "days"), (3_600, "hours"), (60, "minutes"), (1, "seconds"))
    size, unit = next((size, unit) for size, unit in units if not apart % size)
    names = ", ".join(each.name for each in ALL)
    return f"the bars of {symbol} are {apart // size:,} {unit} apart, which is not one of the timeframes ({names})"


def checked_blocks(
    chunks: Iterable[RawBars], guard: Guard, tally: Tally, on_note: Callable[[Note], None] = lambda _: None
) -> Iterator[tuple[RawBars, Checked]]:
    """Check the rows of a recording in blocks, and count them; gives each block with what the guard found.

    ``on_note`` receives each row that was refused or noted, and may raise to stop. MostlyRefusedError is raised as soon
    as more than a fifth of the rows is refused.
    """
    for raw in chain.from_iterable(chunk.blocks(BLOCK) for chunk in chunks):
        checked = guard.check(raw)
        tally.count(len(raw), checked)
        for note in checked.notes:
            on_note(note)
        if tally.is_mostly_refused:
            raise MostlyRefusedError(tally, guard.timetable)
        yield raw, checked


def replay(
    pipeline: Pipeline,
    chunks: Iterable[RawBars],
    tally: Tally,
    on_note: Callable[[Note], None],
    on_end: Callable[[Came], None],
    *,
    tells_stories: bool = True,
) -> Iterator[Event]:
    """Run the rows of one recording and give its events as they come; ``tally`` is kept up to date on the way.

    For ``on_note`` see ``checked_blocks``. ``on_end`` receives the outcome of each setup once known, and at the end the
    state of those still open. ``tells_stories`` is whether the events that follow a setup are wanted.
    """

    def learn(came: Came) -> None:
        tally.learn(came)
        on_end(came)

    if not tells_stories:
        pipeline.listen(learn)
    for _, checked in checked_blocks(chunks, pipeline.guard, tally, on_note):
        if not tally.mark and len(checked.bars):
            tally.mark = sha256(np.concatenate(checked.bars[:MARKED].columns()[2:6]).tobytes()).digest()
        for event in pipeline.events(checked.bars):
            tally.hear(event)
            if event.facts.follows and event.facts.ends:
                learn(Came.of_event(event))
            yield event
        for note in pipeline.suspects(checked):
            tally.noted[note.reason] += 1
            on_note(note)
    for came in pipeline.under_way():
        learn(came)
    tally.end(pipeline)
