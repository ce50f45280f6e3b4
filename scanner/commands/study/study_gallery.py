"""The charts of a study's stories: the files of their instruments are replayed, each until its last story has ended."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import Bars
from scanner.present.story_chart.chart import story_chart_for
from scanner.present.study.stories import StoryWithChart
from scanner.replays.recordings import begun, recordings
from scanner.replays.replay import BLOCK, Tally
from scanner.studies.jobs import look_at, noted
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from scanner.events import Event
    from scanner.pipeline import Inputs, Lane, Pipeline
    from scanner.present.study.stories import PickedStory
    from scanner.replays.recordings import Reading
    from scanner.replays.replay import Recording

BARS_BEFORE = 600
"""How many bars before a setup its indicators see, and how many are kept while no story is open."""


def charts_of(
    stories: Sequence[PickedStory],
    paths: Sequence[Path],
    reading: Reading,
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[list[StoryWithChart], str]:
    """Draw stories found in some files, in order, and say why some are left out; empty if none is.

    For each timeframe, only the bars since the oldest open story, and BARS_BEFORE before it, are held in memory.
    """
    files, symbols = look_at(paths, reading), {each.instrument for each in stories}
    together = [files.alone[symbol] for symbol in sorted(symbols) if symbol in files.alone]
    if files.shared:
        together = [(*chain.from_iterable(together), *files.shared)]
    drawn: dict[str, StoryWithChart] = {}
    troubles: list[str] = []
    for own in together:
        with noted(troubles.append):
            for shown in _drawn_of(stories, own, reading):
                drawn[shown.story.id] = shown
                if on_progress is not None:
                    on_progress(len(drawn), len(stories))
    why = "; ".join(troubles) or "their bars are no longer in the files"
    left_out = len(stories) - len(drawn)
    missing_charts = f"{counted(left_out, 'story', 'stories')} of the report without a chart: {why}" if left_out else ""
    return [drawn[each.id] for each in stories if each.id in drawn], missing_charts


def _drawn_of(stories: Sequence[PickedStory], paths: Sequence[Path], reading: Reading) -> Iterator[StoryWithChart]:
    for recording in recordings(paths, reading):
        mine = [each for each in stories if each.instrument == recording.symbol]
        if mine:
            yield from _drawn(recording, reading, mine)


def _drawn(recording: Recording, reading: Reading, stories: Sequence[PickedStory]) -> Iterator[StoryWithChart]:
    inputs, chunks = begun(reading, recording, Tally(recording.symbol, str(recording.path)))
    replayed = _Replayed(inputs, stories, reading.tz)
    for raw in chain.from_iterable(chunk.blocks(BLOCK) for chunk in chunks):
        bars = replayed.pipeline.check(raw).bars
        for part in replayed.pipeline.parts(bars):
            yield from replayed.take(part)
            if not replayed.open:
                return


class _Replayed:
    """What is kept while bars go through a pipeline: the last ones of each timeframe, and the events of stories."""

    def __init__(self, inputs: Inputs, stories: Sequence[PickedStory], zone: str) -> None:
        self.pipeline: Pipeline = inputs.pipeline()
        self.open = {each.id: each for each in stories}
        self._rules, self._zone = inputs.rulebook.rules, zone
        self._said: dict[str, list[Event]] = {each.id: [] for each in stories}
        self._bars: dict[Lane, Bars] = {}

    def take(self, part: Bars) -> Iterator[StoryWithChart]:
        """Take in bars of the feed, and draw the stories that have ended."""
        for lane, own in self.pipeline.lanes_of(part):
            if not len(own):
                continue
            for event in lane.engine.events(own):
                if event.thread in self.open:
                    self._said[event.thread].append(event)
            self._bars[lane] = Bars.joined([self._bars[lane], own]) if lane in self._bars else own
            mine = [each for each in self.open.values() if each.timeframe == lane.timeframe.name]
            for story in mine:
                events = self._said[story.id]
                if events and events[-1].facts.ends:
                    yield StoryWithChart(story, self._chart(self._bars[lane], events))
                    del self.open[story.id]
            if not any(self._said[each.id] for each in mine if each.id in self.open):
                self._bars[lane] = self._bars[lane][-BARS_BEFORE:]

    def _chart(self, bars: Bars, events: Sequence[Event]) -> bytes:
        begin = int(np.searchsorted(bars.close_time, events[0].time)) + 1 - BARS_BEFORE
        last = int(np.searchsorted(bars.close_time, events[-1].time, side="right"))
        return story_chart_for(bars[max(begin, 0) : last], events, self._rules, self._zone)
