"""The order of the tests, what saves each of them time, and that none of them is timed."""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING

from hypothesis import settings

if TYPE_CHECKING:
    import pytest

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

FIRST = "test_engine_laws.py"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with a file that needs nearly all compiled code.

    One worker compiles it, which takes long after a change, while the others are at tests of what touches the outside,
    which need none.
    """
    items.sort(key=lambda item: item.path.name != FIRST)


def pytest_collection_finish() -> None:
    """Keep what is loaded by now out of the search for circles."""
    gc.freeze()
