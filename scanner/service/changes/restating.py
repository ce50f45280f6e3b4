"""Restated bars: what differs in what a feed says now, and the series run again with it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.events import event_id
from scanner.market.bars import Bars, RawBars
from scanner.pipeline import Run
from scanner.service.changes.retelling import retold
from scanner.service.resuming import checkpoint_of, snapshot_of
from scanner.store import Rewrite, SeriesKey

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.engine import SeriesEngine
    from scanner.events import Event
    from scanner.pipeline import Pipeline

NEVER = np.iinfo(np.int64).max


def agreeing(now: Bars, known: Bars) -> NDArray[np.bool_]:
    """Say which bars are known with the same values."""
    if not len(known):
        return np.zeros(len(now), dtype=np.bool_)
    where = np.minimum(np.searchsorted(known.open_time, now.open_time), len(known) - 1)
    agree = np.ones(len(now), dtype=np.bool_)
    for one, column in zip(now.columns(), known.columns(), strict=True):
        other = column[where]
        agree &= (one == other) | (np.isnan(one) & np.isnan(other))
    return agree


def different(now: Bars, known: Bars) -> Bars:
    """Give the bars that have other values than those known, or came only after later ones.

    What is older than all that is known does not count.
    """
    if not len(known):
        return known
    return now[~agreeing(now, known) & (now.open_time >= known.open_time[0])]


def same(one: Bars, other: Bars) -> bool:
    """Whether bars are the same in every column; a volume that is missing is the same as one that is missing."""
    return all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one.columns(), other.columns(), strict=True))


def overlaid(bars: Bars, corrected: Bars) -> Bars:
    """Replace the bars that were corrected, and put those in their places that came only after later ones."""
    later = corrected[int(np.searchsorted(corrected.open_time, bars.open_time[0])) :] if len(bars) else corrected
    kept = ~np.isin(bars.open_time, later.open_time)
    parts = zip(bars.columns(), later.columns(), strict=True)
    columns = [np.concatenate([column[kept], right]) for column, right in parts]
    order = np.argsort(columns[0], kind="stable")
    return Bars(*(column[order] for column in columns))


@dataclass(slots=True)
class Rerun:
    """What comes of running a series again: its pipeline, its bars, what is rewritten, and what is to be said."""

    pipeline: Pipeline
    bars: Bars
    rewrites: list[Rewrite] = field(default_factory=list)
    said: list[tuple[Event, SeriesKey]] = field(default_factory=list)


def run_again(
    pipeline: Pipeline,
    stored: Mapping[str, Bars],
    corrected: Bars,
    over: int,
    under_way: Mapping[str, Collection[str]],
    said: Callable[[SeriesKey, int], Sequence[Event]],
    whole: Callable[[str], Sequence[Event]],
    route: Callable[[Event], Sequence[str]],
) -> Rerun | None:
    """Run a series again with corrected bars, from the first stored bar on; None where they have no place among those.

    ``pipeline`` has seen no bar, ``stored`` are the bars by timeframe. A coarser bar that closed up to ``over`` may be
    complete without its end. ``under_way`` names the stories that had not ended, by timeframe. ``said`` gives what was
    said of a series since a close, in order, ``whole`` all of a story; ``route`` gives the sinks that an event is for.
    """
    name, base = pipeline.instrument.symbol, pipeline.base.name
    checked = pipeline.check(as_sent(overlaid(stored[base], corrected), name), stored[base]).bars
    if same(checked, stored[base]):
        return None
    since = int(corrected.close_time[0])  # what closed before is as it was
    rerun = Rerun(pipeline, checked)
    rewritten, run = {base: checked}, Run()
    for lane, part in pipeline.again(checked, stored, over):
        run.add(lane, part, lane.engine.events(part))
    for lane in pipeline.lanes:
        key, own = SeriesKey(name, lane.timeframe.name), Bars.joined(run.bars.get(lane, []))
        rewritten[key.timeframe] = own
        found = [event for event, of_lane in run.said if of_lane is lane]
        # What was decided after the last bar of a coarser timeframe, and is heard only now, is told of that bar.
        heard = min([since, *stored.get(key.timeframe, own).close_time[-1:].tolist()])
        before = said(key, heard)
        news = _of_holds([event for event in found if event.time >= heard], before)
        known = {event.id for event in before}
        news += [event for event in found if event.facts.ahead and event.time >= heard and event.id not in known]
        news += _of_stories(lane.engine, found, before, under_way.get(key.timeframe, ()), own, heard, whole, route)
        rerun.said += [(event, key) for event in news]
    state = snapshot_of(pipeline), checkpoint_of(pipeline)
    for timeframe, own in rewritten.items():
        end = own[int(np.searchsorted(own.close_time, since)) :]
        kept = state if timeframe == base else (b"", b"")
        rerun.rewrites.append(Rewrite(SeriesKey(name, timeframe), since, end, *kept))
    return rerun


def _of_holds(found: Sequence[Event], said: Sequence[Event]) -> list[Event]:
    """Give what is to be said of holds: those that are new, and the end of one that there is no reason for any more."""
    known = {event.id for event in said}
    news = [event for event in found if event.facts.about == "series" and event.id not in known]
    holds = [event for event in said if event.facts.about == "series"]
    if holds and holds[-1].kind == "series.held" and holds[-1].id not in {event.id for event in found}:
        news.insert(0, _resumed(holds[-1]))
    return news


def _of_stories(
    engine: SeriesEngine,
    found: Sequence[Event],
    said: Sequence[Event],
    under_way: Collection[str],
    own: Bars,
    since: int,
    whole: Callable[[str], Sequence[Event]],
    route: Callable[[Event], Sequence[str]],
) -> list[Event]:
    """Give what is to be said of the setups of a series that was run again, in the order of time.

    ``found`` is all that the run found, ``said`` what was said since, ``under_way`` are stories that had not ended.
    """
    last = own.last()
    if last is None:
        return []
    # Where so few bars are left that a series was not warm then, nothing can be said against what was.
    warm_up = engine.rulebook.rules.warm_up
    judged_from = int(own.close_time[warm_up - 1]) if len(own) >= warm_up else NEVER
    stories: dict[str, list[Event]] = {event.thread: [] for event in said if event.thread}
    stories |= {thread: [] for thread in under_way}
    for each in engine.under_way():  # one that was broken off before must not come back
        stories.setdefault(each.thread, [])
    known = {event.thread for event in found}
    for event in found:
        if event.thread and event.time >= since:
            stories.setdefault(event.thread, []).append(event)
    news, left = [], set()
    for thread, events in stories.items():
        told, alone = retold(
            events,
            whole(thread),
            is_known=thread in known,
            judged_from=judged_from,
            since=since,
            last=last,
            route=route,
        )
        news += told
        left |= {thread} if alone else set()
    engine.leave_alone(left)
    return sorted(news, key=lambda event: event.time)


def _resumed(held: Event) -> Event:
    """End a hold for which there is no reason any more."""
    reason = "the feed restated bars; on what it says now, there is no leap as after a split"
    data = held.data | {"reason": reason, "ready_after": 0}
    return replace(held, kind="series.resumed", id=event_id("series.resumed", held.id), data=data)


def as_sent(bars: Bars, source: str) -> RawBars:
    """Give bars the form in which a feed sends them."""
    rows = np.zeros(len(bars), dtype=np.int64)
    return RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, source)
