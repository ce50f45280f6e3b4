"""How amounts and counts are written for people: a point before decimals, a thin space between thousands."""

from __future__ import annotations

import re

FIRST_GROUPED = 5
THIN_SPACE = "\u202f"
"""The separator of groups of three digits; it allows no line break and cannot be read as a decimal mark."""
NUMBER = re.compile(r"([-+−]?)(\d+)(.*)")


def grouped(value: str | int) -> str:
    """Write an amount or a count with its digits in groups of three if it has five or more before the point.

    Prices are not grouped: they are shown as typed into an order.

    >>> [grouped(each).replace(THIN_SPACE, " ") for each in ("1923000", "-12345.678", "+1234.50", 250)]
    ['1 923 000', '-12 345.678', '+1234.50', '250']
    """
    text = str(value)
    found = NUMBER.fullmatch(text)
    if found is None or len(found[2]) < FIRST_GROUPED:
        return text
    whole = f"{int(found[2]):,}".replace(",", THIN_SPACE)
    return f"{found[1]}{whole}{found[3]}"
