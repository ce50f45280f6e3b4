"""Python's search for cycles of objects, left out or made rare where next to none are made."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

SELDOM = 200_000
"""How many new objects start a search: more than loading a command makes, which leaves few cycles."""


def search_seldom() -> None:
    """Search less often from now on: for commands that hold much and end soon, such as one that reads a long journal.

    Its events are no cycles, yet searching them over and over takes up to half of the time.
    """
    gc.set_threshold(SELDOM)


@contextmanager
def no_search_for_cycles() -> Iterator[None]:
    """Do something that makes few cycles of objects, or many that stay: a search takes a tenth of the time, or half."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
