"""A known split that takes effect with new bars: the series is run again up to them, adjusted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.events import rfc3339
from scanner.market.bars import NO_BARS, Bars
from scanner.market.guard import Guard
from scanner.market.splits import adjust, in_force
from scanner.service.changes.restating import Rerun, as_sent, overlaid
from scanner.service.changes.retelling import given_up
from scanner.service.intake.known_bars import opened_before
from scanner.service.resuming import checkpoint_of, snapshot_of
from scanner.store import Rewrite, SeriesKey

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from scanner.events import Event
    from scanner.market.bars import RawBars
    from scanner.market.splits import Adjustment
    from scanner.pipeline import Lane, Pipeline
    from scanner.store.events import EventLog


def up_to_next_split(
    splits: Sequence[Adjustment], pipeline: Pipeline, fresh: RawBars
) -> tuple[RawBars, tuple[Adjustment, ...]]:
    """Give new rows up to the next of the known splits, and those in force for them.

    Other rows are left for the next answer. Without a bar among the rows, the splits of the pipeline stay in force.
    """
    timetable = pipeline.guard.timetable
    opens = Guard(timetable).check(fresh).bars.open_time.tolist() if splits else []
    if not opens:
        return fresh, pipeline.adjustments
    first = opens[0]
    coming = [each.time for each in splits if each.time > first]
    return opened_before(fresh, timetable, min(coming)) if coming else fresh, in_force(splits, first)


def run_adjusted(
    pipeline: Pipeline,
    before: Pipeline,
    stored: Mapping[str, Bars],
    restated: Bars,
    over: int,
    first: int,
    published: EventLog,
) -> Rerun:
    """Run a series again up to the bar that opens ``first``, with the splits that take effect with it.

    ``pipeline`` has these splits and has seen no bar, ``before`` is the one so far. ``stored`` are the bars by
    timeframe, and ``restated`` those that the feed now sends with other values. A coarser bar that closed up to
    ``over`` may be complete without its end. Nothing is published again for these bars. A story that is under way ends,
    since its levels, and the orders of whoever follows it, are in the old price.
    """
    name, base = pipeline.instrument.symbol, pipeline.base.name
    bars = stored.get(base, NO_BARS)
    checked = pipeline.check(as_sent(overlaid(bars, restated), name), bars)
    rerun = Rerun(pipeline, checked.bars)
    new = [each for each in pipeline.adjustments if each not in before.adjustments]
    coarser = {timeframe: adjust(own, new) for timeframe, own in stored.items()}
    made: dict[Lane, list[Bars]] = {lane: [] for lane in pipeline.lanes}
    for lane, part in pipeline.again(checked.bars, coarser, min(over, first)):
        for _ in lane.engine.events(part):
            pass
        made[lane].append(part)
    pipeline.suspects(checked)  # they were reported at the time
    for lane in pipeline.lanes:
        lane.engine.leave_alone({each.thread for each in lane.engine.under_way()})
    for lane, parts in made.items():
        if lane.aggregator is not None:
            own = Bars.joined(parts)
            since = int(own.close_time[0]) if len(own) else first
            rerun.rewrites.append(Rewrite(SeriesKey(name, lane.timeframe.name), since, own, b""))
    changed = restated if len(restated) else checked.bars[-1:]  # at least one, for the checkpoint
    for since in changed.close_time[:1].tolist():
        end = checked.bars[checked.bars.close_time >= since]
        state = snapshot_of(pipeline), checkpoint_of(pipeline)
        rerun.rewrites.append(Rewrite(SeriesKey(name, base), since, end, *state))
    ratios = " and ".join(map(str, new))
    when = f"a split of {ratios} takes effect with the bar of {rfc3339(first)}"
    reason = f"{when}, and what was reported is in the old price"
    rerun.said += _ended(before, stored, reason, published)
    return rerun


def _ended(
    before: Pipeline, stored: Mapping[str, Bars], reason: str, published: EventLog
) -> Iterator[tuple[Event, SeriesKey]]:
    """Give the last event of each published story that is under way, each with its series."""
    for lane in before.lanes:
        key = SeriesKey(before.instrument.symbol, lane.timeframe.name)
        for story in lane.engine.under_way():
            told, last = published.story(story.thread), stored[key.timeframe].last()
            if told and not told[-1].event.facts.ends and last is not None:
                yield given_up(told[-1].event, reason, last), key
