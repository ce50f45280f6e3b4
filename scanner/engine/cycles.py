"""Python's search for cycles of objects, left out where next to none are made."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def no_search_for_cycles() -> Iterator[None]:
    """Do something that makes few cycles of objects, or many that stay: a search would take a tenth of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
