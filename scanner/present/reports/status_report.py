"""The state of a station in words: whether it runs, its feeds, its series, and what is still to be delivered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.wording.tables import table
from scanner.wording.text import plain
from scanner.wording.times import moment
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

LONGEST_NAME = 40
LONGEST_WARNING = 400


@dataclass(frozen=True, slots=True)
class SeriesStatus:
    """A series. Times are nanoseconds since 1970 UTC; ``last_close`` is None if it has no bar.

    ``lag`` is the time since the first missing bar closed, ``missing`` the number of missing bars; both are None if
    it has no bar at all. It needs ``needed`` more bars to be warm.
    """

    instrument: str
    timeframe: str
    feed: str
    last_close: int | None
    lag: int | None
    missing: int | None
    needed: int
    next_close: int
    exchange_zone: str


@dataclass(frozen=True, slots=True)
class FeedStatus:
    """A feed with its instruments: how many lack a bar, how many never had one, and the longest lag.

    ``late`` says that it is reported late, and ``reason`` why, as far as known.
    """

    name: str
    instruments: int
    behind: int
    without: int
    last_close: int | None
    lag: int | None
    late: bool
    reason: str = ""


NO_LONGER = "no longer in the configuration"


@dataclass(frozen=True, slots=True)
class SinkStatus:
    """A sink: how many deliveries wait for it, and how many it refused for good.

    ``gone`` says that the configuration no longer has it: what waits for it cannot be sent.
    """

    name: str
    waiting: int
    dead: int
    gone: bool = False


@dataclass(frozen=True, slots=True)
class OldList:
    """The configuration that a station still uses after a change: when it was read, in nanoseconds since 1970 UTC.

    ``mistake`` is one in the changed configuration, or empty. ``restart`` says that what has changed is
    only read at the start.
    """

    read_at: int
    mistake: str = ""
    restart: bool = False


@dataclass(frozen=True, slots=True)
class Status:
    """A station at the time ``now``. ``process`` runs it; None if it does not run.

    ``played`` says that the bars are of a recording: then ``now`` is the close of the last bar there is. ``old`` is
    what the process goes by, where the configuration says something else by now. ``warnings`` are of the configuration.
    """

    station: str
    zone: str
    now: int
    process: str | None
    played: bool
    old: OldList | None
    feeds: Sequence[FeedStatus]
    series: Sequence[SeriesStatus]
    sinks: Sequence[SinkStatus]
    warnings: Sequence[str] = ()


def report(status: Status) -> list[str]:
    """Write the state of a station."""
    zone = status.zone
    running = (
        _running(status.station, status.process)
        if status.process is not None
        else f"The station {plain(status.station, LONGEST_NAME)} is not running: nobody is looking at its series."
    )
    told = (
        f"It plays a recording; what follows is as of its last bar, {moment(status.now, zone)}."
        if status.played
        else f"It is {moment(status.now, zone)}."
    )
    warm = sum(not each.needed for each in status.series)
    behind = sum(each.lag != 0 for each in status.series)
    return [
        running,
        *([] if status.old is None else [_changed(status.old, zone)]),
        told,
        *(f"Warning: {plain(each, LONGEST_WARNING)}" for each in status.warnings),
        (
            f"{counted(len(status.series), 'series', 'series')}, {warm:,} warm, "
            f"{behind:,} waiting for a bar that has closed."
        ),
        "",
        *table(
            ("feed", "instruments", "behind", "last bar close", "lag", ""),
            [
                (
                    plain(each.name, LONGEST_NAME),
                    f"{each.instruments:,}",
                    f"{each.behind:,}",
                    _when(each.last_close, zone),
                    lag_in_words(each.lag),
                    _judged(each),
                )
                for each in status.feeds
            ],
            left=(0, 3, 5),
        ),
        *(
            f"{plain(each.name, LONGEST_NAME)} is late: {plain(each.reason, LONGEST_WARNING)}"
            for each in status.feeds
            if each.reason
        ),
        *([] if not behind else ["", "The lag of a series begins when the first bar closes that is missing."]),
        "",
        *_sinks(status.sinks),
        *table(
            ("instrument", "timeframe", "feed", "last bar close", "lag", "bars missing", "warm", "next bar close"),
            [_series(each, zone) for each in status.series],
            left=(0, 1, 2, 3, 6, 7),
        ),
    ]


def unreadable(station: str, zone: str, process: str, read_at: int | None) -> list[str]:
    """Say how a running station goes on while its configuration has a mistake."""
    read = "that it has read" if read_at is None else f"of {moment(read_at, zone)}"
    told = f"It still uses the configuration {read}: the file has a mistake now, and is not used until that is"
    return [_running(station, process), f"{told} corrected."]


def _running(station: str, process: str) -> str:
    return f"The station {plain(station, LONGEST_NAME)} is running (process {process})."


def _changed(old: OldList, zone: str) -> str:
    told = (
        f"It still uses the configuration of {moment(old.read_at, zone)}, which has changed since; "
        "what follows is about the new one. "
    )
    if old.mistake:
        return f"{told}The new one has a mistake and is not used until it is corrected: {old.mistake}"
    if old.restart:
        return f"{told}Restart the station to use it: some of it is read only at the start."
    return f"{told}Send SIGHUP or restart the station to use it."


def _judged(feed: FeedStatus) -> str:
    some = 0 < feed.without < feed.instruments
    return ", ".join(
        [*(["late"] if feed.late else []), *([f"no bar yet of {feed.without:,}"] if some else [])],
    )


def _sinks(sinks: Sequence[SinkStatus]) -> list[str]:
    if not sinks:
        return []
    rows = [
        (plain(each.name, LONGEST_NAME), f"{each.waiting:,}", f"{each.dead:,}", NO_LONGER if each.gone else "")
        for each in sinks
    ]
    return [*table(("sink", "waiting", "refused for good", ""), rows, left=(0, 3)), ""]


def _series(each: SeriesStatus, zone: str) -> tuple[str, ...]:
    return (
        plain(each.instrument, LONGEST_NAME),
        each.timeframe,
        plain(each.feed, LONGEST_NAME),
        _when(each.last_close, zone),
        lag_in_words(each.lag),
        "" if each.missing is None else f"{each.missing:,}",
        f"in {counted(each.needed, 'bar')}" if each.needed else "yes",
        moment(each.next_close, zone, each.exchange_zone),
    )


def _when(close: int | None, zone: str) -> str:
    return "no bar yet" if close is None else moment(close, zone)


def lag_in_words(lag: int | None) -> str:
    """Write a lag in its two largest units.

    >>> lag_in_words(93_784 * SECOND)
    '1 d 2 h'
    >>> lag_in_words(61 * SECOND)
    '1 min 1 s'
    >>> lag_in_words(0)
    'none'
    """
    if lag is None:
        return ""
    rest, parts = lag // SECOND, []
    for unit, seconds in (("d", 86_400), ("h", 3_600), ("min", 60), ("s", 1)):
        number, rest = divmod(rest, seconds)
        parts.append((number, unit))
    while len(parts) > 1 and not parts[0][0]:
        parts.pop(0)
    return " ".join(f"{number} {unit}" for number, unit in parts[:2] if number) or ("under 1 s" if lag else "none")
