"""Another list for a desk at work: what stays as it was goes on, what is new or different gets pipelines of its own."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from scanner.market.bars import Bars
from scanner.service.restating import as_sent
from scanner.service.store import Batch, Rewrite, SeriesKey, SeriesUpdate
from scanner.settings import SettingsError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.service.desk import Desk
    from scanner.settings import Settings, Watched
    from scanner.trade.size import Account


TOGETHER = 64
"""Instruments whose stored bars are in memory at a time."""
FIXED = ("station", "feeds", "sinks", "quiet", "ceiling")
"""Parts of the settings that are only read at the start."""


def list_of(settings: Settings, before: Settings) -> list[Watched]:
    """Give the list of other settings; SettingsError where something is different that is only read at the start."""
    for part in FIXED:
        if getattr(settings, part) != getattr(before, part):
            raise SettingsError(f"[{part}] is different and is only read at the start: restart the station to have it")
    try:
        return settings.watched()
    except ValueError as problem:
        raise SettingsError(str(problem)) from problem


def change_list(desk: Desk, watched: Sequence[Watched], account: Account) -> list[str]:
    """Let a desk watch another list; names the instruments that have new pipelines, from where the store left them.

    StoreTroubleError where the store cannot be read or written: then the desk is as before.
    """
    before = desk.watched, desk.account, dict(desk.pipelines), dict(desk.last)
    new = {each.instrument.symbol: each for each in watched}
    changed = [
        name
        for name, each in new.items()
        if name not in desk.watched
        or account != desk.account
        or _seen_by_engine(each) != _seen_by_engine(before[0][name])
    ]
    try:
        desk.watched, desk.account = new, account
        for name in before[0].keys() - new.keys():
            del desk.pipelines[name]  # not what is known of its last bar, which others may be asking for just now
        revive(desk, desk.load(changed))
    except BaseException:
        desk.watched, desk.account, desk.pipelines, desk.last = before
        raise
    return changed


def _seen_by_engine(each: Watched) -> tuple[object, ...]:
    """Give all that makes a difference to a pipeline: not where the bars are from, nor where its events go."""
    return (
        each.instrument,
        each.calendar.name,
        each.calendar.tz,
        each.base,
        each.timeframes,
        each.rulebook,
        each.adjustments,
        each.dates,
    )


def revive(desk: Desk, names: Sequence[str]) -> list[str]:
    """Warm pipelines that begin anew with the bars in the store, where it has some; names those.

    Such are instruments whose rules, timeframes or splits are others than when the store was last written. Nothing is
    said of these bars again: they were looked at in their time.
    """
    updates, rewrites, revived = [], [], []
    for begin in range(0, len(names), TOGETHER):
        for name, stored in desk.stored(names[begin : begin + TOGETHER]).items():
            base = SeriesKey(name, desk.watched[name].base.name)
            bars = stored.get(base.timeframe)
            if bars is None or not len(bars):
                continue
            pipeline = desk.pipelines[name]
            checked = pipeline.check(as_sent(bars, name)).bars
            # What was made with other splits is of no use.
            for lane, own in pipeline.again(checked, {} if pipeline.adjustments else stored):
                deque(lane.engine.events(own), maxlen=0)
                key = SeriesKey(name, lane.timeframe.name)
                if key != base and len(own):
                    rewrites.append(Rewrite(key, int(own.close_time[0]), own, b""))
            updates.append(SeriesUpdate(base, Bars.of([]), pipeline.snapshot()))
            desk.last[name] = bars.last()
            revived.append(name)
    desk.store.commit(Batch(updates, rewrites))
    return revived
