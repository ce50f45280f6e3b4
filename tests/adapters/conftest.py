"""What tests of several adapters share with the test runner."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import pytest

from tests.adapters.secret_samples import is_hidden

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def nothing_secret_is_logged(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """Listen to all that any library of ours logs, and find no secret in it."""
    caplog.set_level(logging.DEBUG)
    yield
    # The servers are ours as well, and tell what they are sent.
    logged = [record.getMessage() for record in caplog.get_records("call") if record.name != "websockets.server"]
    assert is_hidden(" ".join(logged))
