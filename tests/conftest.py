"""The order of the tests, what saves each of them time, and that none of them is timed."""

from __future__ import annotations

import gc
import resource
import signal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from tests.effort import EFFORT

if TYPE_CHECKING:
    from collections.abc import Iterator

settings.register_profile("untimed", deadline=None, max_examples=20 * EFFORT)
settings.load_profile("untimed")
gc.disable()  # until everything is loaded, all of which stays

HERE = Path(__file__).parent
FIRST = "test_engine_laws.py"
NEXT = {"adapters", "delivery", "journal", "market", "store", "web"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with a file that needs nearly all compiled code, and go on with folders that need next to none.

    So one worker compiles it, which takes long after a change, and the others do not do the same meanwhile.
    """

    def place(item: pytest.Item) -> int:
        room = item.path.relative_to(HERE).parts[0]
        return 0 if room == FIRST else 1 if room in NEXT else 2

    items.sort(key=place)


def pytest_collection_finish() -> None:
    """Keep what is loaded by now out of the search for circles, which is made seldom."""
    gc.freeze()
    gc.set_threshold(200_000, 20, 50)
    gc.enable()


@pytest.fixture
def room_for_little() -> Iterator[int]:
    """Let no file grow beyond 6,000 bytes, as on a disk that is nearly full."""
    limit, before = 6_000, resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
    yield limit
    resource.setrlimit(resource.RLIMIT_FSIZE, before)
    signal.signal(signal.SIGXFSZ, handler)
