"""``closewatch chart``: a picture of one bar of a recording, with the setup that stood there."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from scanner.commands import output
from scanner.commands.one_bar import find
from scanner.commands.trouble import UsageError
from scanner.present.chart import Format, draw
from scanner.present.picture import picture_of
from scanner.present.tables import bar_time
from scanner.present.text import plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.commands.recordings import Reading
    from scanner.present.picture import Picture

LONGEST_NAME = 60


def run(paths: Sequence[Path], reading: Reading, at: str, instrument: str | None, out: Path | None) -> None:
    """Draw one bar of one recording and say what stood there."""
    kind = format_of(out)
    if out is not None:
        output.not_among(str(out), "--out", paths)
    asked = find(paths, reading, at, instrument)
    closed = int(asked.bars.close_time[asked.index])
    event = next((each for each in asked.said if each.facts.begins and each.time == closed), None)
    picture = picture_of(asked.bars[: asked.index + 1], asked.engine.without_setups(), reading.tz, event)
    when = bar_time(
        int(asked.bars.open_time[asked.index]),
        int(asked.bars.close_time[asked.index]),
        reading.tz,
        daily=picture.daily,
    )
    path = out or Path(file_name(picture.instrument, picture.timeframe, when))
    output.write_whole(path, draw(picture, kind))
    output.say(_what_stood(picture, when, reading.tz), f"Drawn into {path}")


def file_name(instrument: str, timeframe: str, when: str) -> str:
    """Make a name that is one on every system.

    >>> file_name("ABC/USD", "15m", "2024-03-18 15:30")
    'ABC_USD-15m-2024-03-18T1530.png'
    """
    name = re.sub(r"[^\w-]+", "_", instrument)[:LONGEST_NAME]
    return f"{name}-{timeframe}-{when.replace(' ', 'T').replace(':', '')}.png"


def format_of(out: Path | None) -> Format:
    """Tell what to draw from the name of the picture; UsageError."""
    kind = "png" if out is None else out.suffix.lower().removeprefix(".")
    for known in get_args(Format):
        if kind == known:
            return known  # type: ignore[no-any-return]  # what get_args gives is untyped
    raise UsageError(f"--out {out}: end the name in .png or .svg, which says what to draw")


def _what_stood(picture: Picture, when: str, zone: str) -> str:
    about = f"{plain(picture.instrument, LONGEST_NAME)} {picture.timeframe} at {when} ({zone})"
    if picture.setup is None:
        return f"No setup stood at this bar, {about}; closewatch explain says why."
    setup = picture.setup
    place = f", its place the {setup['place']}" if setup["place"] else ""
    aside = f"; it was set aside: {setup['set_aside']}" if setup["set_aside"] else ""
    return f"{about}: a {setup['title']} stood, {setup['direction']}{place}{aside}."
