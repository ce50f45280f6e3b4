"""The look of a chart: sizes in pixels, colours that also differ in lightness, and letters that its font has."""

from __future__ import annotations

from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING

from matplotlib.colors import to_rgb
from matplotlib.font_manager import FontProperties, findfont, get_font
from PIL import Image

from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Iterable

WIDTH, HEIGHT, DPI = 780, 1240, 100
"""Twice the width of a phone, so that it is sharp there."""
TITLE, LEAST_TITLE = 31.0, 24.0
LABEL, WORDS, TICK, SMALL = 25.0, 22.0, 21.0, 20.0
"""Sizes of letters: labels and words are easy to read even at half their size, on a phone."""
POINTS = 72 / DPI
"""Points per pixel."""

PAPER, INK, PALE, GRID = "#fcfaf4", "#1b2430", "#6d7177", "#e4dfd2"
RISING, FALLING = PAPER, INK
"""Hollow and full: the bodies differ even without colour."""
BAND, REWARD, RISEN = "#ebe4d0", "#dfeee6", "#d5dde6"
"""Tints, light enough to draw on: the setup's bars, the way to the first objective, MACD over signal."""
FAST, SLOW = "#b26a00", "#2f6f9f"
ENTRY, STOP, GOAL, PLACE, OBSTACLE = "#0a4f92", "#b53a00", "#00664e", "#7d2f73", "#4b4b4b"
COLORS = (INK, PALE, GRID, BAND, REWARD, RISEN, FAST, SLOW, ENTRY, STOP, GOAL, PLACE, OBSTACLE)

DARK_PAPER = "#1c232b"
DARK = {
    INK: "#e9e6df",
    PALE: "#a7b0bb",
    GRID: "#36414d",
    BAND: "#39404a",
    REWARD: "#21382f",
    RISEN: "#2c3b4a",
    FAST: "#e2a84b",
    SLOW: "#7db6de",
    ENTRY: "#8dbdf0",
    STOP: "#f08a5c",
    GOAL: "#5cc3a0",
    PLACE: "#d79bcd",
    OBSTACLE: "#b5b5b5",
}
"""For each colour, the one on a dark page."""
SHADES = 6
"""Shades of each colour in a PNG: enough for smooth edges, few enough for a small file."""

SOLID, DASHED, DOTTED, BROKEN = "-", (0, (5, 2.5)), (0, (1.2, 1.8)), (0, (6, 2, 1.2, 2))

FONT = "DejaVu Sans"
"""It comes with the library, so that all machines draw the same picture."""
NO_LETTER = "□"


def shades(paper: str, colors: Iterable[str]) -> list[tuple[int, ...]]:
    """Mix each colour with the paper, in steps from none to all of it; gives red, green and blue from 0 to 255."""
    ground = to_rgb(paper)
    return [
        tuple(
            round(255 * (part * shade + under * (SHADES - shade)) / SHADES)
            for part, under in zip(to_rgb(color), ground, strict=True)
        )
        for color in colors
        for shade in range(SHADES + 1)
    ]


def darkened(drawn: bytes) -> bytes:
    """Give a PNG chart with each colour of its palette replaced by the one for a dark page."""
    dark = dict(zip(shades(PAPER, COLORS), shades(DARK_PAPER, [DARK[color] for color in COLORS]), strict=True))
    dark |= dict.fromkeys(shades(PAPER, [PAPER]), shades(DARK_PAPER, [DARK_PAPER])[0])
    with Image.open(BytesIO(drawn)) as picture:
        levels = iter(picture.getpalette() or ())
        picture.putpalette([level for color in zip(levels, levels, levels, strict=True) for level in dark[color]])
        kept = BytesIO()
        picture.save(kept, "png")
    return kept.getvalue()


def font(pixels: float, *, bold: bool = False) -> FontProperties:
    """Give the font in a size in pixels."""
    return FontProperties(family=FONT, size=pixels * POINTS, weight="bold" if bold else "normal")


@cache
def _letters() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family=FONT))).get_charmap())


def shown(text: str, limit: int) -> str:
    """Give text from outside as one line that the font can show; characters that it lacks become boxes."""
    return "".join(one if ord(one) in _letters() else NO_LETTER for one in plain(text.strip(), limit)) or "unnamed"
