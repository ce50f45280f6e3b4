"""Changing the list of a running desk: unchanged instruments go on, new or changed ones get fresh pipelines."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from scanner.configuration.model.outline import FIXED
from scanner.configuration.model.settings import SettingsError
from scanner.cycles import no_search_for_cycles
from scanner.events import OF_SETUPS
from scanner.market.bars import NO_BARS, NO_TIME, Bars
from scanner.pipeline import Pools, run_together
from scanner.service.changes.restating import as_sent
from scanner.service.changes.retelling import as_published, given_up, said_last, same_plan, untold
from scanner.service.desk import series_of
from scanner.service.resuming import checkpoint_of, snapshot_of
from scanner.store import Batch, Rewrite, SeriesKey, SeriesUpdate

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from scanner.configuration.model.settings import Settings, Watched
    from scanner.events import Event
    from scanner.pipeline import Lane
    from scanner.service.desk import Desk
    from scanner.trade.size import Account

TOGETHER = 64
"""Instruments whose stored bars are in memory at the same time."""
OTHER_RULES = "the list or its rules have changed, and it is no longer followed"


def list_of(settings: Settings, before: Settings) -> list[Watched]:
    """Give the list of other settings; SettingsError if a part has changed that is only read at the start."""
    for part in FIXED:
        if getattr(settings, part) != getattr(before, part):
            raise SettingsError(f"[{part}] is different and is only read at the start: restart the station to use it")
    try:
        return settings.watched()
    except ValueError as problem:
        raise SettingsError(str(problem)) from problem


def change_list(desk: Desk, watched: Sequence[Watched], account: Account) -> list[str]:
    """Let a desk watch another list; names the instruments with new pipelines, which continue from the store.

    StoreTroubleError if the store cannot be read or written: then the desk is as before.
    """
    before = desk.watched, desk.account, dict(desk.pipelines), desk.last.copy(), desk.pools
    new = {each.instrument.symbol: each for each in watched}
    changed = [
        name
        for name, each in new.items()
        if name not in desk.watched or _seen_by_engine(each) != _seen_by_engine(before[0][name])
    ]
    try:
        desk.watched, desk.account = new, account
        for name in before[0].keys() - new.keys():
            del desk.pipelines[name]  # its last bar stays: others may be asking for it now
        if len(changed) == len(new):
            desk.pools = Pools()  # the old rows are held until all is well, and would then stay free for good
        desk.pools.reserve(series_of(watched))
        revive(desk, desk.load(changed))
    except BaseException:
        desk.watched, desk.account, desk.pipelines, desk.last, desk.pools = before
        raise
    finally:
        desk.pools.forget_others(series_of(desk.watched.values()))
    for lane in (lane for pipeline in desk.pipelines.values() for lane in pipeline.lanes):
        lane.engine.account = account  # of new setups: those under way keep their sizes
    return changed


def _seen_by_engine(each: Watched) -> Watched:
    """Leave out what affects no pipeline: the source of its bars, and its group, which chooses the sinks of events."""
    return replace(each, feed="", symbol="", group="")


@no_search_for_cycles()
def revive(desk: Desk, names: Sequence[str]) -> list[str]:
    """Warm fresh pipelines with the bars in the store, if it has any; names their instruments.

    These are instruments whose rules, timeframes or splits have changed since the store was last written. No event is
    published again for these bars. But a story that no longer matches what was published is given up, and so is a story
    of a series that has left the list.
    """
    rewrites, revived = [], []
    said = unlisted(desk)
    # If it returns to the list it starts afresh, so a story given up now does not go on then.
    gone = {key.instrument for _, key in said} - desk.watched.keys()
    updates = [SeriesUpdate(key, NO_BARS, b"") for key in desk.store.bars.keys if key.instrument in gone]
    for begin in range(0, len(names), TOGETHER):
        kept, again = dict[SeriesKey, dict[str, Bars]](), []
        told: dict[Lane, dict[str, list[Event]]] = {}
        for name, stored in desk.stored(names[begin : begin + TOGETHER]).items():
            base, pipeline = SeriesKey(name, desk.watched[name].base.name), desk.pipelines[name]
            if stored:
                bars = stored.get(base.timeframe, NO_BARS)  # none if the base timeframe is a new one
                checked = pipeline.check(as_sent(bars, name), bars).bars
                for lane in pipeline.lanes:
                    told[lane] = _unfinished(desk, SeriesKey(name, lane.timeframe.name))
                    setups = {thread: said_last(whole) for thread, whole in told[lane].items()}
                    lane.engine.as_published = as_published(setups, same_plan)
                # Bars adjusted for other splits are of no use.
                again.append(pipeline.again(checked, {} if pipeline.adjustments else stored))
                desk.last[name], kept[base] = bars.last(), stored
        for (base, stored), run in zip(kept.items(), run_together(again), strict=True):
            pipeline = desk.pipelines[base.instrument]
            for lane in pipeline.lanes:
                lane.engine.suspects.clear()  # their events were published at the time
                key, own = SeriesKey(base.instrument, lane.timeframe.name), Bars.joined(run.bars.get(lane, []))
                found, known = [event for event, of in run.said if of is lane], stored.get(key.timeframe, NO_BARS)
                said += [(each, key) for each in _retold(lane, found, known, told[lane])]
                last_known = int(known.close_time[-1]) if len(known) else NO_TIME
                if lane.aggregator is not None and len(own) and own.close_time[-1] >= last_known:
                    rewrites.append(Rewrite(key, int(own.close_time[0]), own, b""))
                elif lane.aggregator is not None and len(known):  # they fit the sessions no longer, and stay
                    lane.aggregator.pass_over(last_known)
            updates.append(SeriesUpdate(base, NO_BARS, snapshot_of(pipeline), checkpoint_of(pipeline)))
            revived.append(base.instrument)
    addressed, *_ = desk.addressing.addressed(said, desk.store.clock())
    desk.store.commit(Batch(updates, rewrites, addressed))
    return revived


def _retold(lane: Lane, found: Sequence[Event], bars: Bars, told: Mapping[str, Sequence[Event]]) -> Iterator[Event]:
    """Give the events still to be published for the unfinished stories of a series.

    ``found`` is what the current rules find, ``bars`` are the stored bars of the series, and ``told`` is what was
    published of each of them. One that agrees with that, or has just ended, is continued; any other is given up.
    """
    last, under_way = bars.last(), {each.thread for each in lane.engine.under_way()}
    if last is None:  # a new timeframe: its earlier setups were never published
        lane.engine.leave_alone(under_way)
        return
    now: dict[str, list[Event]] = {}
    for event in found:
        now.setdefault(event.thread, []).append(event)
    goes_on = set()
    for thread, whole in told.items():
        if not _is_open(whole[-1]) and thread not in under_way:
            continue
        events = now.get(thread, [])
        stands = bool(events) and events[0].facts.begins and same_plan(events[0], said_last(whole))
        rest = untold(events, whole, 0) if stands else None
        if rest is None or (whole[-1].facts.follows and thread not in under_way):
            yield given_up(whole[-1], OTHER_RULES, last)
        else:
            yield from rest
            goes_on.add(thread)
    lane.engine.leave_alone(under_way - goes_on)


def unlisted(desk: Desk) -> list[tuple[Event, SeriesKey]]:
    """End the stories of series that have left the list."""
    listed = {SeriesKey(name, each.name) for name, of in desk.watched.items() for each in of.timeframes}
    said = []
    for stored in desk.store.bars.load([key for key in desk.store.bars.keys if key not in listed], 1):
        if (last := stored.bars.last()) is not None:
            told = [whole[-1] for whole in _unfinished(desk, stored.key).values()]
            said += [(given_up(each, OTHER_RULES, last), stored.key) for each in told if _is_open(each)]
    return said


def _unfinished(desk: Desk, key: SeriesKey) -> dict[str, list[Event]]:
    """Give all published events of each setup of a series whose story has not ended."""
    stories: dict[str, list[Event]] = {}
    for kept in desk.store.events.find(series=key, kinds=OF_SETUPS):
        if kept.event.facts.begins or kept.event.thread in stories:
            stories.setdefault(kept.event.thread, []).append(kept.event)
    return {thread: whole for thread, whole in stories.items() if not whole[-1].facts.ends}


def _is_open(last: Event) -> bool:
    """Whether a story with this last event has not ended: a setup that plans no entry has no later events."""
    if last.facts.begins:
        return last.data["entries"][last.data["entry_style"]]["risk"] is not None
    return not last.facts.ends
