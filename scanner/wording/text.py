"""Text from outside made safe to show: names and messages that may contain anything."""

from __future__ import annotations

import unicodedata

LONGEST = 60
"""Most letters of a name or a value where nothing else is said."""
SENTENCE = 600
"""Most characters of a sentence: more than any needs, unless a value in it is very long."""
HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode categories that move the cursor, turn the text around, or show nothing at all."""


def plain(text: str, limit: int = LONGEST) -> str:
    r"""Give text as one line of visible characters, at most ``limit`` long.

    Control, direction and other hidden characters become their number; what is cut off becomes an ellipsis.

    >>> plain("ABC\nDEF", 20)
    'ABC<000A>DEF'
    >>> plain("a long name", 6)
    'a lon…'
    """
    cut = text[: limit + 1]
    shown = cut
    if not cut.isprintable():  # what is printable holds none of them
        shown = "".join(f"<{ord(one):04X}>" if unicodedata.category(one) in HIDDEN else one for one in cut)
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"
