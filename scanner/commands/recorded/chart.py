"""``closewatch chart``: a picture of one bar of a recording, with the setup found there or its whole story."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from scanner.commands import output
from scanner.commands.recorded.explain import reported_at
from scanner.commands.recorded.one_bar import Recorded
from scanner.commands.trouble import UsageError
from scanner.present.chart.chart import Format, draw
from scanner.present.chart.picture import picture_of
from scanner.present.story_chart.chart import came_of, draw_story_chart, result_of
from scanner.present.story_chart.picture import story_picture_of
from scanner.present.words.setup_words import at_place
from scanner.wording.text import plain
from scanner.wording.times import bar_time
from scanner.wording.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.commands.recorded.one_bar import OneBar
    from scanner.event_data import StoryData
    from scanner.present.chart.picture import Picture
    from scanner.replays.recordings import Reading

LONGEST_NAME = 60


def run(
    paths: Sequence[Path], reading: Reading, at: str, instrument: str | None, out: Path | None, *, to_the_end: bool
) -> None:
    """Draw one bar of one recording, or the story of its setup, and say what was found and how it went on."""
    kind = format_of(out)
    if out is not None:
        output.not_among(str(out), "--out", paths)
    asked = Recorded.read(paths, reading, at, instrument).at(at, reading.tz, to_the_end=to_the_end)
    event = next(iter(reported_at(asked)), None)
    story = [] if event is None else [each for each in asked.said if each.thread == event.thread]
    picture = picture_at(asked, reading.tz)
    when = bar_time(
        int(asked.bars.open_time[asked.index]),
        int(asked.bars.close_time[asked.index]),
        reading.tz,
        picture.timeframe,
    )
    sentences = [_setup_sentence(picture, when, reading.tz)]
    if len(story) > 1:
        drawn = draw_story_chart(story_picture_of(asked.bars, story, asked.engine.without_setups(), reading.tz), kind)
        sentences.append(_outcome_sentence(story[-1].data))
    else:
        drawn = draw(picture, kind)
        if to_the_end and event is not None:
            sentences.append("This recording shows nothing more of it.")
    path = out or Path(file_name(picture.instrument, picture.timeframe, when, is_story=len(story) > 1))
    output.write_whole(path, drawn)
    output.say(*sentences, f"Drawn into {path}")


def picture_at(asked: OneBar, zone: str) -> Picture:
    """Make the picture of a bar, with the first of the setups found there."""
    event = next(iter(reported_at(asked)), None)
    return picture_of(asked.bars[: asked.index + 1], asked.engine.without_setups(), zone, event)


def file_name(instrument: str, timeframe: str, when: str, *, is_story: bool = False) -> str:
    """Make a file name that is valid on every system.

    >>> file_name("ABC/USD", "15m", "2024-03-18 15:30")
    'ABC_USD-15m-2024-03-18T1530.png'
    """
    name = re.sub(r"[^\w-]+", "_", instrument)[:LONGEST_NAME]
    return f"{name}-{timeframe}-{when.replace(' ', 'T').replace(':', '')}{'-story' * is_story}.png"


def format_of(out: Path | None) -> Format:
    """Derive the format from the name of the picture; UsageError for an unknown one."""
    kind = "png" if out is None else out.suffix.lower().removeprefix(".")
    for known in get_args(Format):
        if kind == known:
            return known  # type: ignore[no-any-return]  # what get_args gives is untyped
    raise UsageError(f"--out {out}: the name must end in .png or .svg")


def _setup_sentence(picture: Picture, when: str, zone: str) -> str:
    about = f"{plain(picture.instrument)} {picture.timeframe} at {when} ({zone})"
    if picture.setup is None:
        return f"There was no setup at this bar, {about}; closewatch explain says why."
    setup = picture.setup
    aside = f"; it was set aside: {setup['set_aside']}" if setup["set_aside"] else ""
    return f"{about}: a {setup['direction']} {setup['title']}{at_place(setup['place'])}{aside}."


def _outcome_sentence(data: StoryData) -> str:
    """Say how it ended, or its state when last reported, and why."""
    came = came_of(data)
    result = "" if data["r"] is None else f", {result_of(data)} before costs"
    return f"{came[0].upper()}{came[1:]}{result}: {phrase(data['reason'])}."
