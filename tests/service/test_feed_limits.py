"""Every installed feed is asked in the way that its settings say."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import pytest

from adapters.feeds.exchange import installed_exchanges
from scanner.configuration.adapters import build_feed
from scanner.configuration.model import settings as configuration
from scanner.service.station import Station
from scanner.store import Store
from tests.service.simulated_time import SimulatedTime

EXAMPLES = sorted(Path(__file__).parents[2].glob("config/feed.*.example.toml"))
TOLD = {"settle": 7.5, "patience": 75.0, "at_once": 3, "requests_per_minute": 40.0}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_a_feed_is_asked_as_its_settings_say(path: Path, tmp_path: Path) -> None:
    (feed,) = configuration.load(path, {}).feeds
    environ = {f"CLOSEWATCH_FEEDS__{feed.upper()}__{key.upper()}": str(value) for key, value in TOLD.items()}
    if feed == "coins":
        environ["CLOSEWATCH_FEEDS__COINS__EXCHANGE"] = installed_exchanges()[0]  # as the example requires
    settings = configuration.load(path, environ)
    built = {feed: build_feed(feed, settings, environ)}
    clock = SimulatedTime(0)
    with Store.open(tmp_path / "kept.db", clock.now) as store:
        station = Station(settings, store, built, clock=clock)
        assert {key: value for key, value in asdict(station.feeds[feed].limits).items() if key in TOLD} == TOLD
