"""A chart for a dark page: the same picture in other colours."""

from __future__ import annotations

from io import BytesIO

from PIL import Image

from scanner.present.chart.look import COLORS, DARK, DARK_PAPER, PAPER, shades


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
