"""A cluster for studies."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from distributed import LocalCluster


@pytest.fixture
def cluster() -> Iterator[LocalCluster]:
    """Start a scheduler on this machine, and a worker in a separate process."""
    import dask  # noqa: PLC0415 - heavy, and only needed here
    import distributed  # noqa: PLC0415 - as above

    start: Any = distributed.LocalCluster  # which has no types
    with (
        dask.config.set({"distributed.comm.timeouts.connect": "3s"}),
        start(n_workers=1, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1") as started,
    ):
        yield started
