"""The engine of one series: its bars in, its events out."""

from __future__ import annotations

from collections import defaultdict
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from scanner.analysis.columns import ATR, CLOSE, OPEN
from scanner.analysis.fits import fits_at
from scanner.analysis.indicators import spikes
from scanner.analysis.series import Series
from scanner.engine.forming import forming
from scanner.engine.leans import Leans
from scanner.follow.begun import begun_of
from scanner.follow.follower import Follower
from scanner.follow.outcome import Came, came_of
from scanner.follow.setup_events import found_of, series_event, setup_event
from scanner.follow.stories import Ends, go_on_together
from scanner.follow.story_events import Teller
from scanner.judgement import Case, Judgement, Weighed, judge, weigh
from scanner.market.splits import jump_in_words, suspected_split
from scanner.trade.levels import grid_of
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.fits import Fits
    from scanner.analysis.pool import Pool, Stop
    from scanner.events import Event
    from scanner.follow.decision import Decision
    from scanner.follow.news import News
    from scanner.follow.stories import Sides
    from scanner.market.bars import Bars
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.dates import Dated
    from scanner.market.sessions.timetables import Timetable


class Suspect(NamedTuple):
    """A suspected bad tick: when its bar opened and closed, and a clause that says what is odd about it."""

    open_time: int
    close_time: int
    text: str


class SeriesEngine:
    """The engine of one series: an instrument on a timeframe under one rulebook.

    ``coarser`` is the engine of the next coarser timeframe followed, if any. Give it its complete bars first, and then
    this engine the bars that complete them. ``dates`` are the user's dates that concern the instrument, None if there
    are none.
    """

    __slots__ = (
        "_names",
        "account",
        "as_published",
        "coarser",
        "dates",
        "decisions",
        "ends",
        "follower",
        "grid",
        "holds",
        "instrument",
        "leans",
        "on_found",
        "rulebook",
        "series",
        "suspects",
        "timetable",
    )

    def __init__(
        self,
        instrument: Instrument,
        timetable: Timetable,
        rulebook: Rulebook | None = None,
        account: Account | None = None,
        *,
        coarser: SeriesEngine | None = None,
        dates: Sequence[Dated] | None = None,
        pool: Pool | None = None,
    ) -> None:
        """Take a row of ``pool``, which must have the same rulebook and timetable; without one, make a pool."""
        self.instrument = instrument
        self.timetable = timetable
        self.rulebook = rulebook or Rulebook()
        self.account = account or Account()
        self.coarser = coarser
        self.dates = dates
        self.grid = grid_of(instrument.steps)
        self.series = Series(pool or self.rulebook.pool(timetable))
        self.leans = Leans(self.series)
        self.follower: Follower | None = None
        self.ends: Ends | None = None
        """Replaces the follower if the events of stories are not wanted: see ``listen``."""
        self.on_found: Callable[[Weighed, range], int] | None = None
        """Receives the setups found in place of their events: see ``collect``."""
        self._names: list[tuple[str, bool]] = []
        self.holds = 0
        """How often the series was put on hold."""
        self.decisions: list[Decision] = []
        """Decisions that wait for the first bar after them."""
        self.as_published: Callable[[Event], Event] = _itself
        """Gives, of a setup that is found again, the event that was published of it; later news keep to that."""
        self.suspects: list[Suspect] = []
        """Suspected bad ticks that nobody has reported yet; whoever reports them empties the list."""

    @property
    def warm(self) -> bool:
        """Whether a setup may be reported."""
        return self.series.warm

    @property
    def last_close(self) -> int:
        """When the last bar taken in closed; 0 if none was since the series or a hold began."""
        return int(self.series.times[1, self.series.used - 1]) if self.series.count else 0

    def listen(self, on_end: Callable[[Came], None]) -> None:
        """Pass only the outcome of each setup, to ``on_end`` in the order of their ends; give no events of stories."""
        self.ends = Ends(self.series, self.instrument, self.rulebook, self.timetable)

        def came(records: NDArray[Any]) -> None:
            for each in self._came_of(records[np.lexsort((records["number"], records["next"]))]):
                on_end(each)

        self.ends.came = came

    def collect(self, on_found: Callable[[Weighed, range], int], came: Callable[[NDArray[Any]], None]) -> None:
        """Give no events of setups, but pass them to ``on_found``, and the records of stories that ended to ``came``.

        ``on_found`` gets rows of a Weighed, and gives the number of the first in a record; those after it count on.
        """
        self.ends = Ends(self.series, self.instrument, self.rulebook, self.timetable)
        self.ends.came, self.on_found = came, on_found

    def under_way(self) -> list[Came]:
        """Give the stories that have not ended."""
        if self.ends is not None:
            return self._came_of(self.ends.records)
        return [] if self.follower is None else [Came.of_outcome(each) for each in self.follower.under_way()]

    def _came_of(self, records: NDArray[Any]) -> list[Came]:
        return came_of(records, self._names.__getitem__, self.instrument)

    def leave_alone(self, threads: Collection[str]) -> None:
        """Stop following stories, without an event."""
        if self.follower is not None and threads:
            self.follower.leave_alone(threads)

    def push(self, bars: Bars) -> list[Event]:
        """Take in closed bars, oldest first, and give their events."""
        return list(self.events(bars))

    def events(self, bars: Bars) -> Iterator[Event]:
        """Take in closed bars, oldest first, and give the events one by one; for long slices."""
        self.leans.forget()
        for decision, part in self._between_decisions(bars):
            if decision is not None and self.follower is not None:
                yield from self.said_of(self.follower.decide(decision))
            room = self.series.pool.room
            for start in range(0, len(part), room):  # no more than the windows hold
                for stop in self.series.take(part[start : start + room]):
                    yield from (event for _, event in said_at(stop, [self]))
                yield from (event for _, _, event in go_on({0: self}, {}))

    def hear(self, decision: Decision) -> None:
        """Note a decision of the user on a setup of this series; decisions come in order of time.

        It replaces an earlier one of the same kind, on the same setup and after the same bar.
        """
        about = decision.thread, decision.kind, decision.bar
        self.decisions = [each for each in self.decisions if (each.thread, each.kind, each.bar) != about]
        self.decisions.append(decision)

    def _between_decisions(self, bars: Bars) -> Iterator[tuple[Decision | None, Bars]]:
        """Split the bars at the decisions, and give each decision with the bars that follow it."""
        decision, begin = None, 0
        while self.decisions and len(bars) and self.decisions[0].bar < bars.close_time[-1]:
            end = int(np.searchsorted(bars.close_time, self.decisions[0].bar, side="right"))
            yield decision, bars[begin:end]
            decision, begin = self.decisions.pop(0), max(begin, end)
        yield decision, bars[begin:]

    def note_suspect(self, index: int) -> None:
        """Note a bar of the window that may be a bad tick."""
        series, (open_time, close_time) = self.series.columns, self._times(index)
        text = spikes.words(series, index, float(series[ATR, index - 1]), self.rulebook.rules)
        self.suspects.append(Suspect(open_time, close_time, text))

    def resumed(self, index: int) -> Event:
        """Give the event of the bar that ends a hold."""
        reason = f"warm again after {self.rulebook.rules.warm_up} bars"
        return series_event("series.resumed", self.case(), self._times(index), reason, 0)

    def jump(self, index: int) -> Iterator[Event]:
        """Put the series on hold if a jumping bar may be a split, and give the events."""
        split = self._suspected_split(index)
        if split is None:
            return
        reason = f"{jump_in_words(split)}; put on hold until warm again"
        if self.ends is not None:
            self.ends.break_off(index)
        elif self.follower is not None:
            yield from self.said_of(self.follower.break_off(index, reason))
        yield series_event("series.held", self.case(), self._times(index), reason, self.rulebook.rules.warm_up)
        self.leans.keep()
        self.holds += 1
        self.series.restart()

    def begin(self, weighed: Weighed, numbers: range, records: NDArray[Any]) -> list[Event]:
        """Follow setups from their bars, those with an entry; gives an event for each.

        ``numbers`` are the rows of the series in ``weighed``, in order of bars, and ``records`` those that begin.
        """
        said = self._setups(weighed, numbers) if self.on_found is None else []
        if self.ends is None:
            if len(records):
                which = records["number"].tolist()
                found = [found_of(weighed, number, self.as_published(said[number - numbers.start])) for number in which]
                self.follower = self.follower or self._new_follower()
                self.follower.begin(found, records)
            return said
        if self.on_found is None:
            records["number"] += len(self._names) - numbers.start
            aside = weighed.set_aside[numbers.start : numbers.stop].tolist()
            self._names += zip((event.thread for event in said), aside, strict=True)
        else:
            records["number"] += self.on_found(weighed, numbers) - numbers.start
        self.ends.add(records)
        return said

    def _setups(self, weighed: Weighed, numbers: range) -> list[Event]:
        """Make an event for each row, in order of the bars."""
        case, events = weighed.case(numbers.start), []
        judged = [judge(weighed.fits, int(weighed.rows[k]), case, weighed, k) for k in numbers]
        for _, group in groupby(judged, lambda each: each.bar_close):
            here = list(group)
            names = [f"{each.setup.name} {each.direction}" for each in here]
            events += [setup_event(each, case, names[:k] + names[k + 1 :]) for k, each in enumerate(here)]
        return events

    def said_ahead(self, spots: Iterable[tuple[int, int, int]]) -> list[tuple[int, int, Event]]:
        """Give the events of setups that the next bar may complete, as (bar, 2, event) with the last bar so far.

        ``spots`` are bars, numbers of setups and signs.
        """
        where = (self.series, self.instrument, self.timetable)
        told = [
            (index, 2, forming(*where, which, index, self.series.look(index, sign)))
            for index, which, sign in sorted(spots, key=itemgetter(0, 1))
        ]
        return [(index, order, event) for index, order, event in told if event is not None]

    def _new_follower(self) -> Follower:
        return Follower(self.series, self.instrument, self.rulebook, self.timetable)

    def said_of(self, news: Sequence[News]) -> list[Event]:
        """Turn news of setups into events."""
        teller = Teller(self.instrument, self.timetable, self.rulebook, self.dates)
        return [teller.event(each) for each in news]

    def without_setups(self) -> SeriesEngine:
        """Make an engine for the same series that looks for no setups and has seen no bars."""
        rulebook = Rulebook(self.rulebook.rules, (), self.rulebook.surroundings)
        return SeriesEngine(self.instrument, self.timetable, rulebook, self.account)

    def judge_last(self) -> list[Judgement]:
        """Judge the last bar taken in, for each setup in both directions, even if there is no setup.

        Setups that need more bars than there are get no judgement.
        """
        series, last = self.series, self.series.used - 1
        known = [which for which, each in enumerate(self.rulebook.setups) if series.count > each.setup.looks_back]
        both, every = np.array([[series.row, last, 1], [series.row, last, -1]]), np.ones(2 * len(known), dtype=np.bool_)
        fits, case = fits_at(series.pool, [(which, both) for which in known], every), self.case()
        rows = np.arange(len(fits.which))
        weighed = weigh(fits, [case], np.zeros_like(rows), rows) if series.warm else None
        return [judge(fits, row, case, weighed, row) for row in rows.tolist()]

    def case(self) -> Case:
        """Give what a judgement needs besides the bars."""
        coarser = self.coarser
        return Case(
            rulebook=self.rulebook,
            instrument=self.instrument,
            timetable=self.timetable,
            account=self.account,
            coarser="" if coarser is None else coarser.timetable.timeframe.name,
            lean_at=_unknown if coarser is None else coarser.leans.at,
            dates=self.dates,
            grid=self.grid,
        )

    def follow_again(self, kept: bytes) -> None:
        """Resume the stories in a snapshot of a follower."""
        self.follower = self._new_follower()
        self.follower.restore(kept)

    def pass_over(self, index: int) -> None:
        """Put the series on hold where it was held before, at a jumping bar, without an event."""
        if self._suspected_split(index) is not None:
            self.series.restart()

    def _times(self, index: int) -> tuple[int, int]:
        open_time, close_time = self.series.times[:, index].tolist()
        return open_time, close_time

    def _suspected_split(self, index: int) -> tuple[int, int] | None:
        series = self.series
        state = series.pool.state[series.row]
        last_close, open_ = float(series.columns[CLOSE, index - 1]), float(series.columns[OPEN, index])
        return suspected_split(last_close, open_, float(state["atr"]), self.rulebook.rules.hold_atr)


def _itself(setup: Event) -> Event:
    """Give the event of a setup of which nothing was published before."""
    return setup


def _unknown(moment: int) -> None:
    """Give None, the lean of a coarser timeframe that is not followed."""
    del moment


def said_at(stop: Stop, engines: Sequence[SeriesEngine]) -> Iterator[tuple[int, Event]]:
    """Give the events of a stop, while the windows still hold its bars, each with the number of its engine.

    ``engines`` are those whose series were given the bars. The events of each are in order of bars. Within a bar those
    of earlier setups come first, then new setups, then setups that the next bar may complete.
    """
    numbers = stop.series.tolist()
    for place, index in stop.spiked:
        engines[numbers[place]].note_suspect(index)
    for place, index in stop.warm:
        yield numbers[place], engines[numbers[place]].resumed(index)
    if stop.setups or stop.forming:
        yield from _said_of_setups(stop, engines)
    for place, index in stop.jumps:
        for event in engines[numbers[place]].jump(index):
            yield numbers[place], event


def _said_of_setups(stop: Stop, engines: Sequence[SeriesEngine]) -> Iterator[tuple[int, Event]]:
    """Judge the setups of all series together, and give their events, each with the number of its engine."""
    numbers, coming = dict(zip(stop.rows.tolist(), stop.series.tolist(), strict=True)), defaultdict(list)
    for which, spots in stop.forming:
        for row, index, sign in spots.tolist():
            coming[numbers[row]].append((index, which, sign))
    new: dict[int, list[tuple[int, int, Event]]] = {}
    standing: dict[int, Sides] = {}
    fits = fits_at(engines[0].series.pool, stop.setups)
    if len(fits.standing):
        weighed, own = _weigh_standing(fits, numbers, engines)
        records, at = begun_of(weighed), [(index, sign) for _, index, sign in fits.spots[weighed.rows].tolist()]
        edges = np.searchsorted(records["number"], [rows.stop for rows in own.values()]).tolist()
        for (number, rows), begin, end in zip(own.items(), [0, *edges], edges, strict=False):
            standing[number] = own_at = at[rows.start : rows.stop]
            said = engines[number].begin(weighed, rows, records[begin:end])
            new[number] = [(index, 1, event) for (index, _), event in zip(own_at, said, strict=False)]
    for number, spots_ahead in coming.items():
        new[number] = [*new.get(number, ()), *engines[number].said_ahead(spots_ahead)]
    for number, index, event in go_on({number: engines[number] for number in new}, standing):
        new[number].append((index, 0, event))
    for number, found in new.items():
        for _, _, event in sorted(found, key=itemgetter(0, 1)):
            yield number, event


def go_on(engines: Mapping[int, SeriesEngine], standing: Mapping[int, Sides]) -> Iterator[tuple[int, int, Event]]:
    """Follow the stories of engines, by number, over all bars taken in; gives the number, the bar and each event.

    ``standing`` are the new bars with setups.
    """
    followed = {number: stories for number, each in engines.items() if (stories := each.ends or each.follower)}
    news = go_on_together(list(followed.values()), [standing.get(number, ()) for number in followed])
    for number, own in zip(followed, news, strict=True):
        if own:
            for (index, _), event in zip(own, engines[number].said_of([each for _, each in own]), strict=True):
                yield number, index, event


def _weigh_standing(
    fits: Fits, numbers: Mapping[int, int], engines: Sequence[SeriesEngine]
) -> tuple[Weighed, dict[int, range]]:
    """Weigh the setups that are near a place they need, in order of their series and bars.

    ``numbers`` are those of the engines, by the row of their series. Also returns the rows of each engine.
    """
    standing = fits.standing
    row, index, _ = fits.spots[standing].T
    order = np.lexsort((index, row))
    standing, row = standing[order], row[order]
    begins = np.flatnonzero(np.diff(row, prepend=-1))
    counts = np.diff(begins, append=len(row))
    own = [numbers[each] for each in row[begins].tolist()]
    of = np.repeat(np.arange(len(own)), counts)
    weighed = weigh(fits, [engines[number].case() for number in own], of, standing)
    return weighed, {
        number: range(begin, begin + count)
        for number, begin, count in zip(own, begins.tolist(), counts.tolist(), strict=True)
    }
