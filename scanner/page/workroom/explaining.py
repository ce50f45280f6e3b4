"""A bar explained: rule by rule, in each setup and both directions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands.recorded.one_bar import is_day, parse_moment
from scanner.commands.trouble import UsageError
from scanner.events import setup_id
from scanner.page.trouble import NothingHereError
from scanner.page.views.measured import Explained, ExplainedSetup, rows
from scanner.page.words import bar_label, why_address
from scanner.page.workroom.judging import JudgedBar, judged_at
from scanner.present.reports.explain_report import held_in_words, missed_rules, nearest_first, nearest_in_words, stands
from scanner.store import SeriesKey
from scanner.wording.words import name, number, number_of

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings
    from scanner.judgement import Judgement
    from scanner.store import Store

BARS_SHOWN = 5


def bar_of(settings: Settings, store: Store, instrument: str, timeframe: str, at: str) -> JudgedBar:
    """Judge the requested bar; NothingHereError if there is none."""
    if instrument not in settings.instruments:
        raise NothingHereError(f"{name(instrument)} is not on the list of this station.")
    watched = settings.of(instrument)
    timeframe = timeframe or watched.timeframes[0].name
    if timeframe not in {each.name for each in watched.timeframes}:
        raise NothingHereError(f"{name(instrument)} is not watched on {name(timeframe)}.")
    try:
        moment = parse_moment(at, settings.station.zone) if at else None
    except UsageError:
        raise NothingHereError("Write a day such as 2024-03-18, or a time such as 2024-03-18 15:30.") from None
    bar = judged_at(store, watched, SeriesKey(instrument, timeframe), settings.account, moment, day=is_day(at))
    if bar is None:
        raise NothingHereError(
            f"The store has no bar of {name(instrument)} {timeframe}{f' at {name(at)}' if at else ''}."
        )
    return bar


def explained(bar: JudgedBar, zone: str, store: Store) -> Explained:
    """Explain the result of each setup in each direction at a bar."""
    key, bars = bar.key, bar.bars

    def label(index: int) -> str:
        return bar_label(int(bars.open_time[index]), int(bars.close_time[index]), zone, key.timeframe)

    def address(index: int) -> str:
        if not 0 <= index < len(bars):
            return ""
        return why_address(key.instrument, key.timeframe, int(bars.close_time[index]))

    stood = "; ".join(stands(each) for each in bar.judged if each.holds)
    unready = f"{number_of(bar.needed, 'bar')} more until it is warm, and nothing is reported before that"
    first = max(bar.index + 1 - BARS_SHOWN, 0)
    return Explained(
        key,
        label=label(bar.index),
        close=int(bars.close_time[bar.index]),
        suspect=bar.suspect,
        opening=unready if bar.needed else stood or nearest_in_words(bar.judged),
        accounts=[_account(each, bar, store) for each in nearest_first(bar.judged)],
        before=address(bar.index - 1),
        after=address(bar.index + 1),
        bars=[
            (
                label(i),
                *(f"{column[i]:.10g}" for column in (bars.open, bars.high, bars.low, bars.close)),
                number(None if bars.volume[i] != bars.volume[i] else float(bars.volume[i])),
            )
            for i in range(bar.index, first - 1, -1)
        ],
    )


def _account(found: Judgement, bar: JudgedBar, store: Store) -> ExplainedSetup:
    missed = missed_rules(found)
    thread = setup_id(bar.key.instrument, bar.key.timeframe, found.setup.name, found.direction, found.bar_close)
    return ExplainedSetup(
        title=f"{found.setup.title} {found.direction}",
        head=f"misses {len(missed)} of {len(found.rules)} rules" if missed else held_in_words(found),
        holds=not missed,
        rules=rows(found.rules),
        places=found.places,
        surroundings=rows(found.surroundings) if found.plan is not None else [],
        evidence=[] if missed else rows(found.evidence),
        story=thread if not missed and store.events.story(thread) else "",
    )
