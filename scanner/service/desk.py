"""The desk: arrivals from the feeds go through the pipelines and are committed together with the events found.

One call, one transaction: bars, engine states, events and their deliveries are kept together or not at all.
"""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from scanner.configuration.history_needed import enough_from
from scanner.cycles import no_search_for_cycles
from scanner.events import rfc3339
from scanner.market.bars import NO_BARS, NO_TIME, Bars
from scanner.market.digits import grouped
from scanner.market.guard import NOTED, Guard
from scanner.pipeline import Pipeline, Pools, run_together
from scanner.service.addressing import Addressing
from scanner.service.changes.decided import Decided
from scanner.service.changes.restating import agreeing, different, run_again
from scanner.service.changes.splitting import run_adjusted, up_to_next_split
from scanner.service.intake.doubts import Doubts
from scanner.service.intake.known_bars import KnownBars, closed_known_and_new, not_begun
from scanner.service.intake.late_ends import nothing_follows, over
from scanner.service.resuming import BETWEEN, are_due, checkpoint_of, restore, snapshot_of
from scanner.service.together.last_bars import LastBars
from scanner.service.together.usual import Together, take_usual
from scanner.store import (
    Batch,
    DecidedMeanwhileError,
    Rewrite,
    Sent,
    SeriesKey,
    SeriesUpdate,
    StoreTroubleError,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from scanner.configuration.model.settings import Watched
    from scanner.events import Event
    from scanner.market.bars import Bar, RawBars
    from scanner.market.guard import Checked, Note
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.timeframes import Timeframe
    from scanner.pipeline import Run
    from scanner.service.together.usual import Arrival
    from scanner.store import Store, StoredTogether
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.size import Account

SINCE_CHECKPOINT = 2 * BETWEEN
"""Most bars since a checkpoint: more than between two of them, since sessions cut some bars short."""


def series_of(watched: Iterable[Watched]) -> Iterator[tuple[Rulebook, Calendar, Timeframe]]:
    """Give the series of a list, as ``Pools`` knows them."""
    return ((each.rulebook, each.calendar, timeframe) for each in watched for timeframe in each.timeframes)


@dataclass(slots=True)
class Taken:
    """The result of a call: bars taken in, events published for the first time, events too old to be news, notes.

    ``missed`` are the late events that a summary must list. ``refused`` counts rows by reason. By instrument,
    ``useless`` says why all of its rows were refused, ``doubtful`` why somebody should look at it, ``look_again`` from
    which opening on to ask for a second answer, and ``restated`` gives the close of the first bar that has changed.
    """

    bars: int = 0
    events: list[Event] = field(default_factory=list)
    stale: list[Event] = field(default_factory=list)
    missed: list[Event] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)
    useless: dict[str, str] = field(default_factory=dict)
    doubtful: dict[str, str] = field(default_factory=dict)
    look_again: dict[str, int] = field(default_factory=dict)
    restated: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class _Work:
    """What one call collects for its transaction; ``known`` are the stored bars before it."""

    known: KnownBars
    updates: dict[SeriesKey, SeriesUpdate] = field(default_factory=dict)
    rewrites: list[Rewrite] = field(default_factory=list)
    said: list[tuple[Event, SeriesKey]] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    together: list[Together] = field(default_factory=list)
    last: dict[str, Bar | None] = field(default_factory=dict)
    """The last bars; others see them once they are stored."""
    restated: dict[str, int] = field(default_factory=dict)


class Desk:
    """Keeps a pipeline for each watched instrument, and commits the results of each arrival."""

    def __init__(
        self,
        watched: Sequence[Watched],
        account: Account,
        store: Store,
        *,
        route: Callable[[Event], Sequence[str]],
        stale_after: int,
        record: bool,
        closely: bool = False,
    ) -> None:
        """Take the parts; with ``closely`` each answer is taken by itself, with the same result but more slowly."""
        self.watched: Mapping[str, Watched] = {each.instrument.symbol: each for each in watched}
        self.account = account
        self.store = store
        self.route = route
        self.addressing = Addressing(store, route, stale_after, lambda: self.watched)
        self.record = record
        self._looked_at_closely = closely
        self.pools = Pools()
        self.pools.reserve(series_of(watched))
        self.pipelines: dict[str, Pipeline] = {}
        self.last = LastBars()
        """The last bar of each instrument's base timeframe; None if there is none."""
        self._decided = Decided(store)
        self._doubts = Doubts()
        self._adrift: set[str] = set()
        """Instruments whose pipelines are ahead of the store and must be brought back to its state."""
        self._told: dict[str, Sequence[Note]] = {}
        """The last note about unusable rows, so that it is written only once."""

    @no_search_for_cycles()
    def load(self, names: Sequence[str] | None = None) -> list[str]:
        """Bring all or some pipelines to the state in the store; name those that must start afresh.

        An instrument starts afresh if the store does not know it, or knows it with other timeframes.
        """
        names = list(self.watched if names is None else names)
        keys = [SeriesKey(name, timeframe) for name in names for timeframe in self._timeframes(name)]
        rulebooks = {id(each.rulebook): each.rulebook for each in self.watched.values()}
        most = max((each.history for each in rulebooks.values()), default=0) + SINCE_CHECKPOINT
        stored = self.store.bars.load_together(keys, most)
        remembered = self.store.bars.remembered(map(self._base, names))
        places = {key: place for place, key in enumerate(stored.keys)}
        for name in names:
            self.pipelines.pop(name, None)  # releases its rows
        bases = {name: places.get(self._base(name), -1) for name in names}
        opened = {name: stored.last_open(place) for name, place in bases.items()}
        pipelines = {name: self._fresh(name, opened[name]) for name in names}
        known = {name: place for name, place in bases.items() if place >= 0 and remembered[self._base(name)][0]}
        kept = [remembered[self._base(name)] for name in known]
        lanes = [SeriesKey(name, lane.timeframe.name) for name in known for lane in pipelines[name].lanes]
        at = np.array([places.get(key, len(places)) for key in lanes], dtype=np.int64)
        wrong = restore(
            [pipelines[name] for name in known],
            [state for state, _ in kept],
            [checkpoint for _, checkpoint in kept],
            self._as_judged(known, stored),
            np.append(stored.begins, 0)[at],
            np.append(stored.ends, 0)[at],
        )
        self._remember(names, known, stored)
        anew = (pipelines.keys() - known.keys()) | {list(known)[place] for place in wrong}
        for name in anew & known.keys():
            del pipelines[name]  # releases its rows, for the new one to take
            pipelines[name] = self._fresh(name, opened[name])
        self.pipelines |= pipelines
        self._decided.begin(pipelines)
        return [name for name in names if name in anew]

    def _as_judged(self, known: Mapping[str, int], stored: StoredTogether) -> Bars:
        """Give all stored bars as they were judged; the base series of instruments ``known`` are at these places."""
        bars = stored.bars
        for name, place in known.items():
            if self.watched[name].adjustments:
                begin, end = stored.begins[place], stored.ends[place]
                judged = self.watched[name].as_judged(self._base(name).timeframe, bars[begin:end])
                bars = Bars.joined([bars[:begin], judged, bars[end:]])
        return bars

    def _remember(self, names: Sequence[str], known: Mapping[str, int], stored: StoredTogether) -> None:
        """Take note of the last bars of instruments; the series of those ``known`` are at these places."""
        with_bars = {name: place for name, place in known.items() if stored.ends[place] > stored.begins[place]}
        for name in names:
            if name not in with_bars:
                self.last[name] = None
        self.last.remember(list(with_bars), stored.bars[stored.ends[list(with_bars.values())] - 1])

    def _fresh(self, name: str, opened: int | None) -> Pipeline:
        """Make a pipeline that has seen no bars, for those up to one that ``opened`` then; None if there are none."""
        last = NO_TIME if opened is None else opened
        return self.watched[name].inputs(self.account, last).pipeline(pools=self.pools)

    def _base(self, name: str) -> SeriesKey:
        return SeriesKey(name, self.watched[name].base.name)

    def _timeframes(self, name: str) -> list[str]:
        each = self.watched[name]
        return list(dict.fromkeys([each.base.name, *(timeframe.name for timeframe in each.timeframes)]))

    def since(self, name: str) -> int | None:
        """From which opening on to ask the feed: that of the last bar, to see whether it was restated."""
        return self.last.open_of(name) if name in self.watched else None

    def enough_from(self, name: str, now: int) -> int | None:
        """From which opening on there are enough bars at ``now`` for all timeframes of an instrument to be warm."""
        return enough_from(self.watched[name], now) if name in self.watched else None

    def last_close(self, name: str) -> int | None:
        """When the last bar of an instrument closed."""
        return self.last.close_of(name)

    def lacks(self, name: str, close: int) -> bool:
        """Whether an instrument's bar with this close is still to come; one that has left the list lacks nothing."""
        last = self.last.close_of(name) if name in self.watched else close
        return last is None or last < close

    def cold(self, names: Iterable[str]) -> list[str]:
        """Name the series of these instruments that still have too few bars to report a setup."""
        return [
            f"{name}/{lane.timeframe.name}"
            for name in names
            if name in self.pipelines
            for lane in self.pipelines[name].lanes
            if not lane.engine.series.warm
        ]

    @no_search_for_cycles()
    def take(self, arrivals: Sequence[Arrival], now: int) -> Taken:
        """Take in what arrived and commit all of it; bars that are still open at ``now`` are left for later.

        StoreTroubleError if it cannot be stored: then everything is as before the call. ValueError if an instrument
        comes twice: the second arrival would be compared with a store without the first.
        """
        while True:
            try:
                return self._take(arrivals, now)
            except DecidedMeanwhileError:  # rare: judge them again
                continue

    def _take(self, arrivals: Sequence[Arrival], now: int) -> Taken:
        if len({arrival.instrument for arrival in arrivals}) < len(arrivals):
            raise ValueError("an instrument comes twice in one call")
        places = {arrival.instrument: place for place, arrival in enumerate(arrivals)}
        taken, work = Taken(), _Work(KnownBars(self.store.bars, list(places), self._base))
        self._bring_back()
        try:
            self._decided.hand_on(self.pipelines)
            new, closely = self._usual(arrivals, now, taken, work)
            fresh = [(each, self._checked(each, min(now, each.asked), taken, work)) for each in closely]
            new += [(arrival, checked) for arrival, checked in fresh if checked is not None]
            pipelines = [self.pipelines[each.instrument] for each, _ in new]
            made = [pipeline.made(checked.bars) for pipeline, (_, checked) in zip(pipelines, new, strict=True)]
            runs = run_together(made)
            for (arrival, checked), run, pipeline in zip(new, runs, pipelines, strict=True):
                self._collect(arrival.instrument, run, checked, min(now, arrival.asked), work)
                taken.notes += pipeline.suspects(checked)
            work.said.sort(key=lambda each: places[each[1].instrument])
            # Before the commit: the store may fail afterwards.
            said, stale, missed = self.addressing.addressed(work.said, now)
            sent = (work.sent, [each.sent for each in work.together]) if self.record else ([], [])
            updates = [each.updates for each in work.together]
            batch = Batch(
                list(work.updates.values()), work.rewrites, said, sent[0], self._decided.last, updates, sent[1]
            )
            kept = self.store.commit(batch)
        except BaseException:
            self._adrift.update(places)
            for name in places:
                self._told.pop(name, None)
                self._doubts.forget(name)
            with suppress(StoreTroubleError):  # the first error is raised; the next call tries again
                self._bring_back()
            raise
        for name, bar in work.last.items():
            self.last[name] = bar
        for each in work.together:
            self.last.follow(each.rows, each.updates.bars)
        taken.restated = work.restated
        for event in kept:
            (taken.stale if event.id in stale else taken.events).append(event)
        taken.missed = [event for event in kept if event.id in missed]
        return taken

    def _bring_back(self) -> None:
        if self._adrift:
            self.load(sorted(self._adrift & self.watched.keys()))  # some may have left the list meanwhile
            self._adrift.clear()

    def _usual(
        self, arrivals: Sequence[Arrival], now: int, taken: Taken, work: _Work
    ) -> tuple[list[tuple[Arrival, Checked]], list[Arrival]]:
        """Take in usual answers together; returns those that need a close look.

        The first of these are new bars that need no close look themselves, but may complete coarser bars.
        """
        closely: list[Arrival] = []
        groups: dict[tuple[object, ...], list[Arrival]] = {}
        for each in arrivals:
            pipeline, raw = self.pipelines[each.instrument], each.raw
            is_split_to_come = self.watched[each.instrument].adjustments != pipeline.adjustments
            if self._looked_at_closely or raw.unreadable or is_split_to_come or not pipeline.goes_along:
                closely.append(each)
            else:
                groups.setdefault((id(pipeline.guard.timetable), raw.source, raw.stamp_kind), []).append(each)
        new: list[tuple[Arrival, Checked]] = []
        for group in groups.values():
            together, single, rest = take_usual(group, self.pipelines, self.last, self._is_after_its_end, now)
            closely += rest
            new += single
            taken.bars += len(together.updates.bars) + sum(len(checked.bars) for _, checked in single)
            taken.notes += together.notes
            work.said += together.said
            work.together.append(together)
            for name in self._told.keys() & together.names if self._told else ():
                del self._told[name]
        return new, closely

    def _checked(self, arrival: Arrival, now: int, taken: Taken, work: _Work) -> Checked | None:
        """Return what the guard makes of the new bars; None if the series was run again with them, or none is taken."""
        name, pipeline = arrival.instrument, self.pipelines[arrival.instrument]
        last, restated = self.last[name], NO_BARS
        if ahead := not_begun(arrival.rows, pipeline.guard.timetable, now):
            taken.useless[name] = ahead
            taken.refused["bar not begun"] += len(arrival.rows)
            return None
        raw, seen, fresh = closed_known_and_new(arrival.rows, pipeline.guard.timetable, last, now)
        if last is not None and len(seen):
            bars = Guard(pipeline.guard.timetable).check(seen).bars
            reaches = len(fresh) > 0 or bool((bars.open_time == last.open_time).any())
            restated = self._beyond_doubt(arrival, bars, reaches, taken, work)
            if name in taken.look_again and not agreeing(Bars.of([last]), bars).all():
                fresh = fresh.where(fresh.stamp == NO_TIME)  # nothing here confirms that its times are right
        elif last is not None and self._leaves_doubtful_gap(name, last, fresh):
            taken.look_again[name] = last.open_time
            fresh = fresh.where(fresh.stamp == NO_TIME)  # unreadable rows may not come again
        work.sent.append(Sent(self._base(name), raw))
        fresh, splits = up_to_next_split(self.watched[name].adjustments, pipeline, fresh)
        takes_effect = splits != pipeline.adjustments
        checked = self._adjusted(name, fresh, restated, now, work) if takes_effect else pipeline.check(fresh)
        self._note(name, checked, taken)
        if not len(seen) and last is not None and checked.counts["missing bars"]:
            taken.doubtful[name] = (
                f"{grouped(checked.counts['missing bars'])} bars are missing, from {rfc3339(last.close_time)} on, and "
                "nobody has looked at them: the feed was asked from there on, and began later; "
                "see how many it gives at once"
            )
        again = not takes_effect and (len(restated) > 0 or self._is_after_its_end(name, pipeline, checked.bars))
        if not again or not self._restate(name, corrected := Bars.joined([restated, checked.bars]), now, work):
            return checked
        taken.notes += self.pipelines[name].suspects(checked, int(corrected.close_time[0]))
        if len(restated):
            work.restated[name] = int(restated.close_time[0])
        return None

    def _leaves_doubtful_gap(self, name: str, last: Bar, fresh: RawBars) -> bool:
        """Whether rows leave out bars after the ``last`` one that another answer may have."""
        timetable = self.pipelines[name].guard.timetable
        opens = np.append(last.open_time, Guard(timetable).check(fresh).bars.open_time[:1])
        return bool(timetable.missing_before(opens).any()) and self._doubts.doubts_gap(name, last, int(opens[1]))

    def _is_after_its_end(self, name: str, pipeline: Pipeline, bars: Bars) -> bool:
        """Whether bars belong to a coarser bar that counted as complete before they came."""
        if not len(bars) or not pipeline.has_coarser:
            return False
        keys = (SeriesKey(name, lane.timeframe.name) for lane in pipeline.lanes if lane.aggregator is not None)
        return any((self.store.bars.last_close(key) or 0) > bars.open_time[0] for key in keys)

    def _note(self, name: str, checked: Checked, taken: Taken) -> None:
        """Record the notes of the guard, but do not repeat those about rows that are no bars."""
        taken.bars += len(checked.bars)
        told = set(self._told.pop(name, ()))
        if not checked.counts:
            return
        taken.notes += [note for note in checked.notes if note not in told]
        refused = Counter({reason: count for reason, count in checked.counts.items() if reason not in NOTED})
        taken.refused += refused
        if refused.total() > len(checked.bars):
            last = next(note for note in reversed(checked.notes) if note.refused)
            text = f"{last.source}, row {last.row}: {last.text}"
            if len(checked.bars):
                taken.doubtful.setdefault(name, f"most rows were refused; the last was {text}")
            else:
                taken.useless[name] = text
        if checked.notes and not len(checked.bars):
            self._told[name] = checked.notes

    def _collect(self, name: str, run: Run, checked: Checked, now: int, work: _Work) -> None:
        """Collect what must be stored of new bars."""
        base, pipeline, bars = self._base(name), self.pipelines[name], checked.bars
        if pipeline.has_coarser and nothing_follows(pipeline.guard.timetable, bars, now):
            for lane, own in pipeline.closed_by(over(pipeline, now)):
                if len(own):
                    run.add(lane, own, lane.engine.events(own))
        kept = {SeriesKey(name, lane.timeframe.name): parts for lane, parts in run.bars.items()}
        if len(bars):
            kept[base] = [bars]
            work.last[name] = bars.last()
        if not kept and not checked.counts["bad tick"]:  # the next row is judged by the one that was left out
            return
        work.said += [(event, SeriesKey(name, lane.timeframe.name)) for event, lane in run.said]
        state, last = snapshot_of(pipeline), self.last[name]
        due = last is None or (
            len(bars) > 0 and are_due([pipeline], np.array([last.close_time]), bars.close_time[-1:]).any()
        )
        checkpoint = checkpoint_of(pipeline) if due else b""
        kept.setdefault(base, [])
        for key, parts in kept.items():
            joined = parts[0] if len(parts) == 1 else Bars.joined(parts)
            work.updates[key] = SeriesUpdate(key, joined, *((state, checkpoint) if key == base else (b"",)))

    def _beyond_doubt(self, arrival: Arrival, bars: Bars, reaches: bool, taken: Taken, work: _Work) -> Bars:
        """Give the known bars that the feed now sends with other values, if that is beyond doubt.

        ``reaches`` says whether the answer goes up to the last known bar.
        """
        name, last = arrival.instrument, self.last[arrival.instrument]
        if last is None or not len(bars):
            return NO_BARS
        if len(bars) == 1 and bars.open_time[0] == last.open_time:
            known = Bars.of([last])
        else:
            first = int(bars.open_time[0])
            known = work.known.around(name, first, 1 + (last.open_time - first) // self.watched[name].base.nanoseconds)
        said = different(bars, known)
        weighed = self._doubts.weigh(name, said, since=arrival.since, last=last, reaches=reaches)
        if weighed.look_again is not None:
            taken.look_again[name] = weighed.look_again
        if weighed.sentence:
            taken.doubtful[name] = weighed.sentence
        return weighed.bars

    def _restate(self, name: str, corrected: Bars, now: int, work: _Work) -> bool:
        """Run the series again from the first stored bar, with what the feed sends now; False if nothing is new."""
        before = self.pipelines[name]
        under_way = {lane.timeframe.name: [each.thread for each in lane.engine.under_way()] for lane in before.lanes}
        pipeline = self._fresh(name, self.last.open_of(name))
        self._decided.begin({name: pipeline})
        stored, published = self.stored([name])[name], self.store.events
        rerun = run_again(pipeline, stored, corrected, over(before, now), under_way, published, self.route)
        if rerun is None:
            return False
        work.rewrites += rerun.rewrites
        work.said += rerun.said
        work.last[name] = rerun.bars.last()
        self.pipelines[name] = rerun.pipeline
        return True

    def _adjusted(self, name: str, fresh: RawBars, restated: Bars, now: int, work: _Work) -> Checked:
        """Return what the guard makes of new rows with which a split takes effect.

        If any of them is a bar, the series has been run again up to there.
        """
        before, stored = self.pipelines[name], self.stored([name])[name]
        first = int(Guard(before.guard.timetable).check(fresh).bars.open_time[0])
        pipeline = self._fresh(name, first)
        self._decided.begin({name: pipeline})
        rerun = run_adjusted(pipeline, before, stored, restated, over(before, now), first, self.store.events)
        checked = pipeline.check(fresh)
        if len(checked.bars):
            self.pipelines[name] = pipeline
            work.rewrites += rerun.rewrites
            work.said += rerun.said
            if len(restated):
                work.restated[name] = int(restated.close_time[0])
        return checked

    def stored(self, names: Sequence[str]) -> dict[str, dict[str, Bars]]:
        """Give all bars that the store has of instruments, by name and timeframe."""
        bars: dict[str, dict[str, Bars]] = {name: {} for name in names}
        keys = [SeriesKey(name, timeframe) for name in names for timeframe in self._timeframes(name)]
        for found in self.store.bars.load(keys):
            bars[found.key.instrument][found.key.timeframe] = found.bars
        return bars
