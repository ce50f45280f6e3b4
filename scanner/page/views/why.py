"""Why not: any bar of any series, explained rule by rule in each setup and both directions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.commands.recorded.one_bar import is_day, parse_moment
from scanner.commands.trouble import UsageError
from scanner.events import setup_id
from scanner.market.sessions.timeframes import Timeframe
from scanner.page.answers import NothingHereError, asked, board, known, looker, render
from scanner.page.known.judging import JudgedBar, judged_at
from scanner.page.views.measured import by_nearness, rows
from scanner.page.words import bar_label, why_address
from scanner.present.reports.explain_report import missed_rules, nearest_in_words, stands
from scanner.store import SeriesKey
from scanner.wording.words import counted, name, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.event_data import PlaceFound
    from scanner.judgement import Judgement
    from scanner.page.views.measured import Row

BARS_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Account:
    """The whole account of one setup in one direction at one bar."""

    title: str
    head: str
    holds: bool
    rules: Sequence[Row]
    places: dict[str, PlaceFound]
    surroundings: Sequence[Row]
    evidence: Sequence[Row]
    story: str


def why(request: Request) -> Response:
    """Explain the bar that is asked about, or ask which."""
    instrument, timeframe = asked(request, "instrument"), asked(request, "timeframe")
    wrong, bar, status = "", None, board(request).status
    if instrument:
        try:
            bar = bar_of(request)
        except NothingHereError as problem:
            wrong = str(problem)
    return render(
        request,
        "why.html",
        instrument=instrument,
        timeframe=timeframe if bar is None else bar.key.timeframe,
        at=asked(request, "at"),
        timeframes=sorted(
            {each.name for one in known(request).watched.values() for each in one.timeframes}, key=Timeframe.named
        ),
        some=[] if status is None else [each.instrument for each in status.series[:60]],
        wrong=wrong,
        **({"bar": None} if bar is None else _told(request, bar)),
    )


def bar_of(request: Request) -> JudgedBar:
    """Judge the bar that the address asks about; NothingHereError where there is none."""
    about, instrument, timeframe = known(request), asked(request, "instrument"), asked(request, "timeframe")
    watched = about.watched.get(instrument)
    if watched is None:
        raise NothingHereError(f"{name(instrument)} is not on the list of this station.")
    timeframe = timeframe or watched.timeframes[0].name
    if timeframe not in {each.name for each in watched.timeframes}:
        raise NothingHereError(f"{name(instrument)} is not watched on {name(timeframe)}.")
    at = asked(request, "at").strip()
    try:
        moment = parse_moment(at, about.zone) if at else None
    except UsageError:
        raise NothingHereError("Write a day such as 2024-03-18, or a time such as 2024-03-18 15:30.") from None
    key = SeriesKey(instrument, timeframe)
    bar = judged_at(looker(request).store, watched, key, about.settings.account, moment, day=is_day(at))
    if bar is None:
        raise NothingHereError(
            f"The store has no bar of {name(instrument)} {timeframe}{f' at {name(at)}' if at else ''}."
        )
    return bar


def _told(request: Request, bar: JudgedBar) -> dict[str, object]:
    zone, key, daily = known(request).zone, bar.key, not Timeframe.named(bar.key.timeframe).intraday
    times = bar.bars.open_time if daily else bar.bars.close_time

    def address(index: int) -> str:
        if not 0 <= index < len(bar.bars):
            return ""
        return why_address(key.instrument, key.timeframe, int(bar.bars.close_time[index]))

    stood = "; ".join(stands(each) for each in bar.judged if each.holds)
    unready = f"{counted(bar.needed, 'bar')} more until it is warm, and nothing is reported before that"
    first = max(bar.index + 1 - BARS_SHOWN, 0)
    close = int(bar.bars.close_time[bar.index])
    return {
        "bar": bar,
        "label": bar_label(int(times[bar.index]), zone, daily=daily),
        "close": close,
        "opening": unready if bar.needed else stood or nearest_in_words(bar.judged),
        "accounts": [_account(request, each, bar) for each in by_nearness(bar.judged)],
        "before": address(bar.index - 1),
        "after": address(bar.index + 1),
        "picture": why_address(key.instrument, key.timeframe, close, "/picture/why.png"),
        "data": why_address(key.instrument, key.timeframe, close, "/data/why"),
        "bars": [
            (
                bar_label(int(times[i]), zone, daily=daily),
                *(f"{column[i]:.10g}" for column in (bar.bars.open, bar.bars.high, bar.bars.low, bar.bars.close)),
                number(None if bar.bars.volume[i] != bar.bars.volume[i] else float(bar.bars.volume[i])),
            )
            for i in range(bar.index, first - 1, -1)
        ],
    }


def _account(request: Request, found: Judgement, bar: JudgedBar) -> Account:
    missed = missed_rules(found)
    thread = setup_id(bar.key.instrument, bar.key.timeframe, found.setup.name, found.direction, found.bar_close)
    return Account(
        title=f"{found.setup.title} {found.direction}",
        head=f"misses {len(missed)} of {len(found.rules)} rules"
        if missed
        else f"set aside: {found.set_aside}"
        if found.set_aside
        else f"qualified, {found.evidence_points} of {found.evidence_total} points of evidence",
        holds=not missed,
        rules=rows(found.rules),
        places=found.places,
        surroundings=rows(found.surroundings) if found.plan is not None else [],
        evidence=[] if missed else rows(found.evidence),
        story=thread if not missed and looker(request).store.events.story(thread) else "",
    )
