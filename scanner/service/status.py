"""How a station stands, told from what its store holds: beside the running station as well as without one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.market.sessions import Timetable
from scanner.pipeline import counts_in
from scanner.present.status_report import FeedStatus, SeriesStatus, SinkStatus, Status
from scanner.service.lags import Lags
from scanner.service.store import SeriesKey

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.market.calendars import Calendar
    from scanner.market.timeframes import Timeframe
    from scanner.service.store import Store
    from scanner.service.store_outbox import State
    from scanner.settings import Settings, Watched


@dataclass(frozen=True, slots=True)
class Facts:
    """What a store knows of the series on a list: last closes, bars seen since the beginning or the last hold.

    A series of which it knows nothing is in neither. ``outbox`` counts deliveries by sink and state.
    """

    last: Mapping[SeriesKey, int]
    seen: Mapping[SeriesKey, int]
    outbox: Mapping[tuple[str, State], int]


def facts(store: Store, watched: Sequence[Watched]) -> Facts:
    """Read what a store knows; StoreTroubleError where it cannot be read."""
    by_base = {SeriesKey(each.instrument.symbol, each.base.name): each for each in watched}
    last = {key: close for each in watched for key in _keys(each) if (close := store.bars.last_close(key)) is not None}
    seen: dict[SeriesKey, int] = {}
    for stored in store.bars.load(by_base, 1):
        each = by_base[stored.key]
        if stored.state:
            # The state is as old as the bars that it was read with: those of the running station may be newer by now.
            last[stored.key] = int(stored.bars.close_time[-1])
            names = [timeframe.name for timeframe in each.timeframes]
            seen |= zip(
                (SeriesKey(stored.key.instrument, name) for name in names), counts_in(stored.state), strict=False
            )
    return Facts(last, seen, store.outbox.counts())


def _keys(each: Watched) -> list[SeriesKey]:
    return [SeriesKey(each.instrument.symbol, timeframe.name) for timeframe in (each.base, *each.timeframes)]


def status(
    settings: Settings,
    known: Facts,
    patience: Mapping[str, float],
    now: int,
    process: str | None,
    *,
    played: bool = False,
) -> Status:
    """Say how a station stands at ``now`` (nanoseconds since 1970 UTC).

    ``patience`` is that of each feed, in seconds. ``process`` runs the station, None where none does. What is
    ``played`` from a recording is judged by the close of its last bar.
    """
    watched = settings.watched()
    if played:
        now = max(known.last.values(), default=now)
    lags = _AllLags(now)
    series = [
        _series(each, timeframe, known, lags.of(each.calendar, timeframe))
        for each in watched
        for timeframe in each.timeframes
    ]
    bases: dict[str, list[SeriesStatus]] = {name: [] for name in settings.feeds}
    for each in watched:
        bases.setdefault(each.feed, []).append(_series(each, each.base, known, lags.of(each.calendar, each.base)))
    return Status(
        settings.station.name,
        settings.station.zone,
        now,
        process,
        played,
        [_feed(name, bases[name], patience.get(name, 0.0)) for name in bases],
        series,
        [_sink(name, known) for name in dict.fromkeys([*settings.sinks, *(sink for sink, _ in known.outbox)])],
    )


class _AllLags:
    """The lags of each calendar and timeframe, made once, since a timetable takes a while to be made."""

    def __init__(self, now: int) -> None:
        self._now = now
        self._made: dict[tuple[str, str, str], Lags] = {}

    def of(self, calendar: Calendar, timeframe: Timeframe) -> Lags:
        key = calendar.name, calendar.tz, timeframe.name
        if key not in self._made:
            self._made[key] = Lags(Timetable(calendar, timeframe), self._now)
        return self._made[key]


def _series(each: Watched, timeframe: Timeframe, known: Facts, lags: Lags) -> SeriesStatus:
    key = SeriesKey(each.instrument.symbol, timeframe.name)
    last = known.last.get(key)
    behind = None if last is None else lags.behind(last)
    return SeriesStatus(
        key.instrument,
        key.timeframe,
        each.feed,
        last,
        None if behind is None else behind.time,
        None if behind is None else behind.missing,
        max(each.rules.warm_up - known.seen.get(key, 0), 0),
        lags.next_close,
        each.calendar.tz,
    )


def _feed(name: str, series: Sequence[SeriesStatus], patience: float) -> FeedStatus:
    lags = [each.lag for each in series if each.lag is not None]
    longest = max(lags, default=None)
    return FeedStatus(
        name,
        len(series),
        sum(each.lag != 0 for each in series),
        max((each.last_close for each in series if each.last_close is not None), default=None),
        longest,
        longest is not None and longest > patience * SECOND,
    )


def _sink(name: str, known: Facts) -> SinkStatus:
    return SinkStatus(name, known.outbox.get((name, "waiting"), 0), known.outbox.get((name, "dead"), 0))
