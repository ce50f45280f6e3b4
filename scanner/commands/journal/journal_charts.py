"""The charts of a journal, drawn from the bars that the store still has."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.rules import Rules
from scanner.commands.ready import compile_once
from scanner.journal.bars_as_told import as_told
from scanner.present.chart.chart import chart_for
from scanner.present.story_chart.chart import story_chart_for
from scanner.store import SeriesKey
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.commands.station.which_store import StoreChoice
    from scanner.market.bars import Bars
    from scanner.present.reports.journal_html import Told
    from scanner.store import Store

BARS_BEFORE = 600
"""How many bars before a setup its indicators see."""


def with_charts(choice: StoreChoice, store: Store, told: Sequence[Told]) -> list[Told]:
    """Draw what was taken or passed: at the close of its last bar, and its story if that has ended.

    Without its bars, no chart is drawn.
    """
    decided = [each for each in told if each.entry.decision is not None]
    keys = {SeriesKey(each.entry.instrument, each.entry.timeframe) for each in decided}
    bars = {stored.key: stored.bars for stored in store.bars.load(keys)} if keys else {}
    if bars:
        compile_once([Rulebook(Rules(), setups=())])
    return [
        replace(each, charts=tuple(_drawn(choice, store, each, bars))) if each.entry.decision is not None else each
        for each in told
    ]


def _drawn(choice: StoreChoice, store: Store, told: Told, bars: dict[SeriesKey, Bars]) -> Iterator[tuple[str, bytes]]:
    entry, since = told.entry, told.story.version
    key = SeriesKey(entry.instrument, entry.timeframe)
    own = bars.get(key)
    if own is None:
        return
    if choice.known is not None:
        own = as_told(store, choice.known, key, own, entry.found)
    end = int(np.searchsorted(own.close_time, entry.found, side="right"))
    if not end or own.close_time[end - 1] != entry.found:
        return
    known = choice.known is not None and entry.instrument in choice.known.instruments
    rules = choice.known.of(entry.instrument).rules if choice.known is not None and known else Rules()
    begin = max(end - BARS_BEFORE, 0)
    yield "at the close of the setup", chart_for(own[begin:end], since[0], rules, choice.zone)
    if since[-1].facts.ends and since[-1].kind != "setup.withdrawn":
        last = int(np.searchsorted(own.close_time, since[-1].time, side="right"))
        yield "to its end", story_chart_for(own[begin:last], since, rules, choice.zone)
