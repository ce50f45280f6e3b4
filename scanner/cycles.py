"""Reference cycles, for which Python searches again and again, whether there are any or not."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def unsearched() -> Iterator[None]:
    """Search for no cycles meanwhile: among many objects that make none, it would take a tenth of the time or more."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()
