"""Restated bars: how they differ from the stored ones, and running the series again with them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.events import KINDS, event_id
from scanner.market.bars import NEVER, NO_BARS, Bars, RawBars
from scanner.pipeline import Run
from scanner.service.changes.retelling import as_published, difference, retold, said_last
from scanner.service.resuming import checkpoint_of, snapshot_of
from scanner.store import Rewrite, SeriesKey

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.engine.series_engine import SeriesEngine
    from scanner.events import Event
    from scanner.pipeline import Pipeline
    from scanner.store.events import EventLog

OF_A_SERIES = tuple(kind for kind, facts in KINDS.items() if facts.about in {"setup", "series"})


def agreeing(now: Bars, known: Bars) -> NDArray[np.bool_]:
    """Return which bars are known with the same values."""
    if not len(known):
        return np.zeros(len(now), dtype=np.bool_)
    where = np.minimum(np.searchsorted(known.open_time, now.open_time), len(known) - 1)
    agree = np.ones(len(now), dtype=np.bool_)
    for one, column in zip(now.columns(), known.columns(), strict=True):
        other = column[where]
        agree &= (one == other) | (np.isnan(one) & np.isnan(other))
    return agree


def different(now: Bars, known: Bars) -> Bars:
    """Give the bars whose values differ from those known, or that came only after later ones.

    Bars older than all known ones do not count.
    """
    if not len(known):
        return known
    return now[~agreeing(now, known) & (now.open_time >= known.open_time[0])]


def same(one: Bars, other: Bars) -> bool:
    """Whether bars are the same in every column; two missing volumes are the same."""
    return all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one.columns(), other.columns(), strict=True))


def overlaid(bars: Bars, corrected: Bars) -> Bars:
    """Replace the corrected bars, and insert those that came only after later ones."""
    later = corrected[int(np.searchsorted(corrected.open_time, bars.open_time[0])) :] if len(bars) else corrected
    kept = ~np.isin(bars.open_time, later.open_time)
    parts = zip(bars.columns(), later.columns(), strict=True)
    columns = [np.concatenate([column[kept], right]) for column, right in parts]
    order = np.argsort(columns[0], kind="stable")
    return Bars(*(column[order] for column in columns))


@dataclass(slots=True)
class Rerun:
    """The result of running a series again: its pipeline, its bars, what to rewrite, and what to publish."""

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
    published: EventLog,
    route: Callable[[Event], Sequence[str]],
) -> Rerun | None:
    """Run a series again with corrected bars, from the first stored bar on; None if they do not fit among those.

    ``pipeline`` has seen no bar, ``stored`` are the bars by timeframe. A coarser bar that closed up to ``over`` may be
    complete without its end. ``under_way`` names the unfinished stories, by timeframe. ``route`` gives the sinks of an
    event.
    """
    name, base = pipeline.instrument.symbol, pipeline.base.name
    taken = stored.get(base, NO_BARS)  # none if the base timeframe is a new one
    checked = pipeline.check(as_sent(overlaid(taken, corrected), name), taken).bars
    if same(checked, taken):
        return None
    since = int(corrected.close_time[0])  # earlier bars are unchanged
    rerun = Rerun(pipeline, checked)
    rewritten, run = {base: checked}, Run()
    for lane in pipeline.lanes:
        threads = under_way.get(lane.timeframe.name, ())
        setups = {thread: said_last([each.event for each in published.story(thread)]) for thread in threads}
        lane.engine.as_published = as_published(
            setups, lambda before, now: before.time < since or not difference(before, now, route)
        )
    for lane, part in pipeline.again(checked, stored, over):
        run.add(lane, part, lane.engine.events(part))
    for lane in pipeline.lanes:
        key, own = SeriesKey(name, lane.timeframe.name), Bars.joined(run.bars.get(lane, []))
        rewritten[key.timeframe] = own
        found = [event for event, of_lane in run.said if of_lane is lane]
        # A decision made after the last bar of a coarser timeframe and only applied now belongs to that bar.
        heard = min([since, *stored.get(key.timeframe, own).close_time[-1:].tolist()])
        before = [each.event for each in published.find(series=key, since=heard, kinds=OF_A_SERIES)]
        news = _of_holds([event for event in found if event.time >= heard], before, own)
        known = {event.id for event in before}
        news += [event for event in found if event.facts.ahead and event.time >= heard and event.id not in known]
        news += _of_stories(lane.engine, found, before, under_way.get(key.timeframe, ()), own, heard, published, route)
        rerun.said += [(event, key) for event in news]
    state = snapshot_of(pipeline), checkpoint_of(pipeline)
    for timeframe, own in rewritten.items():
        end = own[int(np.searchsorted(own.close_time, since)) :]
        kept = state if timeframe == base else (b"", b"")
        rerun.rewrites.append(Rewrite(SeriesKey(name, timeframe), since, end, *kept))
    return rerun


def _of_holds(found: Sequence[Event], said: Sequence[Event], own: Bars) -> list[Event]:
    """Give the events about holds: new ones, and the end of one that has lost its reason.

    Where the bars of the series do not reach that far any more, nothing contradicts what was published.
    """
    known = {event.id for event in said}
    news = [event for event in found if event.facts.about == "series" and event.id not in known]
    holds = [event for event in said if event.facts.about == "series"][-1:]
    held = [each for each in holds if each.kind == "series.held" and each.id not in {event.id for event in found}]
    return [_resumed(each) for each in held if len(own) and own.close_time[-1] >= each.time] + news


def _of_stories(
    engine: SeriesEngine,
    found: Sequence[Event],
    said: Sequence[Event],
    under_way: Collection[str],
    own: Bars,
    since: int,
    published: EventLog,
    route: Callable[[Event], Sequence[str]],
) -> list[Event]:
    """Give the events to publish for the setups of a series that was run again, in the order of time.

    ``found`` is all that the run found, ``said`` what was published since, ``under_way`` are the unfinished stories.
    """
    last = own.last()
    if last is None:
        return []
    # If too few bars are left for the series to have been warm then, nothing contradicts what was published.
    warm_up = engine.rulebook.rules.warm_up
    judged_from = int(own.close_time[warm_up - 1]) if len(own) >= warm_up else NEVER
    stories: dict[str, list[Event]] = {event.thread: [] for event in said if event.thread}
    stories |= {thread: [] for thread in under_way}
    for each in engine.under_way():  # one that was broken off earlier must not come back
        stories.setdefault(each.thread, [])
    known = {event.thread for event in found}
    for event in found:
        if event.thread and event.time >= since:
            stories.setdefault(event.thread, []).append(event)
    news, left = [], set()
    for thread, events in stories.items():
        told, alone = retold(
            events,
            [each.event for each in published.story(thread)],
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
    """End a hold that has lost its reason."""
    reason = "the feed restated bars; with the new ones there is no price jump as after a split"
    data = held.data | {"reason": reason, "ready_after": 0}
    return replace(held, kind="series.resumed", id=event_id("series.resumed", held.id), data=data)


def as_sent(bars: Bars, source: str) -> RawBars:
    """Convert bars to the form in which a feed sends them."""
    rows = np.zeros(len(bars), dtype=np.int64)
    return RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, source)
