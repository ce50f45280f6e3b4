"""Restated bars: what differs in what a feed says now, and what is to be said of setups that stand otherwise on it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.events import Event, event_id, rfc3339
from scanner.market.bars import Bars, RawBars
from scanner.pipeline import Run
from scanner.service.store import Rewrite, SeriesKey

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.events import WithdrawnData
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
    said: Callable[[SeriesKey, int], Sequence[Event]],
    route: Callable[[Event], Sequence[str]],
) -> Rerun | None:
    """Run a series again with corrected bars, from the first stored bar on; None where they have no place among those.

    ``pipeline`` has seen no bar, ``stored`` are the bars by timeframe. A coarser bar that closed up to ``over`` may be
    complete without its end. ``said`` gives what was said of a series since a close, in order; ``route`` gives the
    sinks that an event is for.
    """
    name, base = pipeline.instrument.symbol, pipeline.base.name
    checked = pipeline.check(as_sent(overlaid(stored[base], corrected), name)).bars
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
        found = [event for event, of_lane in run.said if of_lane is lane and event.time >= since]
        # Where so few bars are left that a series was not warm then, nothing can be said against what was.
        warm_up = lane.engine.rulebook.rules.warm_up
        judged_from = int(own.close_time[warm_up - 1]) if len(own) >= warm_up else NEVER
        rerun.said += [(event, key) for event in _news(found, said(key, since), judged_from, route)]
    state = pipeline.snapshot()
    for timeframe, own in rewritten.items():
        end = own[int(np.searchsorted(own.close_time, since)) :]
        rerun.rewrites.append(Rewrite(SeriesKey(name, timeframe), since, end, state if timeframe == base else b""))
    return rerun


def _news(
    found: Sequence[Event], said: Sequence[Event], judged_from: int, route: Callable[[Event], Sequence[str]]
) -> Iterator[Event]:
    """Give what is to be said of a series that was run again: what it ``found``, held against what was ``said``.

    What still stands is not said again. What does not, or stands otherwise, is withdrawn; what stands otherwise, or
    again after a withdrawal, is said as it is now. A hold that there is no reason for any more ends.
    """
    stories: dict[str, Event] = {}
    for event in said:
        stories[event.thread or event.id] = event  # what was said last
    holds = [event for event in said if event.facts.about == "series"]
    if holds and holds[-1].kind == "series.held" and holds[-1].id not in {event.id for event in found}:
        yield _resumed(holds[-1])
    standing = {event.thread or event.id for event in found}
    for story, last in stories.items():
        if last.facts.begins and story not in standing and last.time >= judged_from:
            yield withdrawal(last)
    for event in found:
        before = stories.get(event.thread or event.id)
        if before is None:
            yield event
        elif before.facts.ends:
            yield _anew(event, before)
        elif before.facts.begins and (otherwise := _otherwise(before, event, route)):
            withdrawn = withdrawal(before, otherwise)
            yield from (withdrawn, _anew(event, withdrawn))


def _resumed(held: Event) -> Event:
    """End a hold for which there is no reason any more."""
    reason = "the feed restated bars; on what it says now, there is no leap as after a split"
    data = held.data | {"reason": reason, "ready_after": 0}
    return replace(held, kind="series.resumed", id=event_id("series.resumed", held.id), data=data)


def _otherwise(before: Event, now: Event, route: Callable[[Event], Sequence[str]]) -> str:
    """Say how a setup stands otherwise than it was said; empty where that is nothing to act on, nor for other sinks."""
    if before.kind != now.kind:
        aside = now.data["set_aside"]
        return f"stands, but is set aside: {aside}" if aside else "stands, and is no longer set aside"
    if before.data["levels"] != now.data["levels"]:
        return "stands with other levels"
    if before.data["exit_plan"]["style"] != now.data["exit_plan"]["style"]:
        return "stands with another exit"
    if set(route(before)) != set(route(now)):
        return f"stands with evidence {now.data['evidence_points']} instead of {before.data['evidence_points']}"
    return ""


def _anew(setup: Event, withdrawn: Event) -> Event:
    """Say a setup that was withdrawn once more; each time it has another id."""
    return replace(setup, id=event_id(setup.kind, setup.id, withdrawn.id))


def withdrawal(said: Event, otherwise: str = "") -> Event:
    """Withdraw a setup that was said, and does not stand any more or, as ``otherwise`` says, not as it was said."""
    data: WithdrawnData = {
        "instrument": said.data["instrument"],
        "timeframe": said.data["timeframe"],
        "setup": said.data["setup"],
        "direction": said.data["direction"],
        "bar_open": said.data["bar_open"],
        "bar_close": said.data["bar_close"],
        "withdraws": said.id,
        "evidence_points": said.data["evidence_points"],
        "set_aside": said.kind == "setup.set_aside",
        "otherwise": bool(otherwise),
        "reason": f"the feed restated bars; on what it says now, the setup of {rfc3339(said.time)} "
        + (otherwise or "does not stand"),
    }
    return Event(
        "setup.withdrawn",
        event_id("setup.withdrawn", said.id),
        said.time,
        said.subject,
        data,
        thread=said.thread or said.id,
    )


def as_sent(bars: Bars, source: str) -> RawBars:
    """Give bars the form in which a feed sends them."""
    rows = np.zeros(len(bars), dtype=np.int64)
    return RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, source)
