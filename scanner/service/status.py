"""The status of a station as its store shows it, whether the station is running or not."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING

from scanner.analysis.indicators.state import count_in
from scanner.clocks import SECOND
from scanner.market.sessions.timetables import timetable_of
from scanner.present.reports.status_report import FeedStatus, OldList, SeriesStatus, SinkStatus, Status
from scanner.service.changes.config_mark import ListRead
from scanner.service.intake.lags import Lags
from scanner.store import SeriesKey
from scanner.store.packing import parts_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.configuration.model.outline import OnList, Outline
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.timeframes import Timeframe
    from scanner.store import Store
    from scanner.store.lock import Holder
    from scanner.store.outbox import State


NEVER_CAME = 2**62
"""Longer than anybody waits, in nanoseconds."""


@dataclass(frozen=True, slots=True)
class StoreFacts:
    """What a store knows of the listed series: last closes, bars seen since the beginning or the last hold.

    A series that it does not know is in neither. ``outbox`` counts deliveries by sink and state. ``late`` gives by feed
    why it was reported late; a feed that was then reported back is not in it.
    """

    last: Mapping[SeriesKey, int]
    seen: Mapping[SeriesKey, int]
    outbox: Mapping[tuple[str, State], int]
    late: Mapping[str, str] = field(default_factory=dict)


def facts(store: Store, listed: Mapping[str, OnList]) -> StoreFacts:
    """Read what a store knows; StoreTroubleError if it cannot be read."""
    last: dict[SeriesKey, int] = {}
    seen: dict[SeriesKey, int] = {}
    for key, close, state in store.bars.states():
        own = listed.get(key.instrument)
        if own is None:
            continue
        if close is not None and any(key.timeframe == each.name for each in (own.base, *own.timeframes)):
            last[key] = close
        if key.timeframe == own.base.name and state:
            series = (SeriesKey(key.instrument, timeframe.name) for timeframe in own.timeframes)
            engines = reversed(parts_of(state)[3::2])  # the finest first; see ``resuming.snapshot_of``
            seen |= zip(series, map(count_in, engines), strict=False)
    reports = [each.event for each in store.events.newest_about_each(("feed.late", "feed.back"))]
    late = {event.subject: event.data["reason"] for event in reports if event.kind == "feed.late"}
    return StoreFacts(last, seen, store.outbox.counts(), late)


def status(about: Outline, known: StoreFacts, now: int, holder: Holder | None, *, mistake: str = "") -> Status:
    """Give the status of a station at ``now`` (nanoseconds since 1970 UTC).

    ``holder`` is the process that runs the station, None if there is none. A recording is judged by the close of its
    last bar. ``mistake`` is why a changed configuration is not accepted, empty if it is valid.
    """
    read = ListRead.of(holder)
    if about.played:
        now = max(known.last.values(), default=now)

    @cache
    def lags(calendar: Calendar, timeframe: Timeframe) -> Lags:
        return Lags(timetable_of(calendar, timeframe), now)

    series = [
        _series(name, each, timeframe, known, lags(each.calendar, timeframe))
        for name, each in about.listed.items()
        for timeframe in each.timeframes
    ]
    made = {(each.instrument, each.timeframe): each for each in series}
    bases: dict[str, list[SeriesStatus]] = {name: [] for name in about.patience}
    waited: dict[str, int] = dict.fromkeys(about.patience, 0)
    for name, each in about.listed.items():
        of_base = lags(each.calendar, each.base)
        base = made.get((name, each.base.name)) or _series(name, each, each.base, known, of_base)
        bases.setdefault(each.feed, []).append(base)
        wait = base.lag or 0
        if base.last_close is None and holder is not None:
            # Nothing was due before the station began, if that is known; a recording always had its bars.
            wait = NEVER_CAME if read is None or about.played else of_base.behind(read.time).time
        waited[each.feed] = max(waited.get(each.feed, 0), wait)
    return Status(
        about.station,
        about.zone,
        now,
        None if holder is None else holder.process,
        about.played,
        _old(about, read, mistake),
        [
            _feed(name, own, known.late.get(name, ""), late=waited[name] > about.patience.get(name, 0.0) * SECOND)
            for name, own in bases.items()
        ],
        series,
        _sinks(known, about),
        about.warnings,
    )


def _old(about: Outline, read: ListRead | None, mistake: str) -> OldList | None:
    if read is None or read.mark == about.mark:
        return None
    return OldList(read.time, mistake, restart=read.fixed not in {"", about.fixed_mark})


def _series(name: str, each: OnList, timeframe: Timeframe, known: StoreFacts, lags: Lags) -> SeriesStatus:
    key = SeriesKey(name, timeframe.name)
    last = known.last.get(key)
    behind = None if last is None else lags.behind(last)
    return SeriesStatus(
        key.instrument,
        key.timeframe,
        each.feed,
        last,
        None if behind is None else behind.time,
        None if behind is None else behind.missing,
        max(each.warm_up - known.seen.get(key, 0), 0),
        lags.next_close,
        each.calendar.tz,
    )


def _feed(name: str, series: Sequence[SeriesStatus], reason: str, *, late: bool) -> FeedStatus:
    lags = [each.lag for each in series if each.lag is not None]
    return FeedStatus(
        name,
        len(series),
        sum(each.lag != 0 for each in series),
        len(series) - len(lags),
        max((each.last_close for each in series if each.last_close is not None), default=None),
        max(lags, default=None),
        late,
        reason if late else "",
    )


def _sinks(known: StoreFacts, about: Outline) -> list[SinkStatus]:
    """Give the configured sinks, and those that are gone but still have deliveries."""
    still = [sink for sink, state in known.outbox if state in {"waiting", "dead"}]
    return [
        SinkStatus(
            name,
            known.outbox.get((name, "waiting"), 0),
            known.outbox.get((name, "dead"), 0),
            gone=name not in about.sinks,
        )
        for name in dict.fromkeys([*about.sinks, *still])
    ]
