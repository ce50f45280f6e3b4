"""The worked examples of the feeds in ``config/``: each does what its comments say."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from adapters.feeds.exchange import ExchangeFeed, installed_exchanges
from adapters.feeds.folder import FolderFeed
from adapters.feeds.http_json import HttpJsonFeed
from adapters.feeds.mqtt_bars import MqttBarsFeed
from adapters.feeds.stream_json import StreamJsonFeed
from scanner.configuration.model.settings import load
from scanner.ports import FeedTroubleError, Want
from tests.adapters.feed_servers import START, told
from tests.adapters.servers import Response, http_server

if TYPE_CHECKING:
    from scanner.ports import Feed
    from tests.adapters.servers import Request

CONFIG = Path(__file__).parents[2] / "config"
FEEDS: dict[str, Any] = {
    "exchange": ExchangeFeed,
    "folder": FolderFeed,
    "http_json": HttpJsonFeed,
    "mqtt_bars": MqttBarsFeed,
    "stream_json": StreamJsonFeed,
}
FIRST = {"time": START, "open": 101.2, "high": 101.95, "low": 101.05, "close": 101.8, "volume": 5_120}


def example(kind: str) -> tuple[dict[str, Any], str]:
    """Give the settings of the feed in an example, and what its comments show as an answer."""
    text = (CONFIG / f"feed.{kind}.example.toml").read_text()
    (table,) = tomllib.loads(text)["feeds"].values()
    assert table.pop("type") == kind
    if kind == "exchange":
        table["exchange"] = installed_exchanges()[0]  # as anyone who copies the example must
    shown = [line.removeprefix("#     ") for line in text.splitlines() if line.startswith("#     ")]
    return table, "\n".join(shown) + "\n"


@pytest.mark.parametrize("kind", FEEDS)
def test_an_example_is_a_whole_configuration(kind: str) -> None:
    settings = load(CONFIG / f"feed.{kind}.example.toml")
    (name,) = settings.feeds
    watched = settings.watched()
    assert watched
    assert {each.feed for each in watched} == {name}
    FEEDS[kind].Settings.model_validate(example(kind)[0])


async def test_a_feed_that_was_never_started_can_be_stopped() -> None:
    feeds: list[Feed] = [
        ExchangeFeed(ExchangeFeed.Settings.model_validate(example("exchange")[0])),
        FolderFeed(FolderFeed.Settings.model_validate(example("folder")[0])),
        HttpJsonFeed(HttpJsonFeed.Settings.model_validate(example("http_json")[0])),
        MqttBarsFeed(MqttBarsFeed.Settings.model_validate(example("mqtt_bars")[0])),
        StreamJsonFeed(StreamJsonFeed.Settings.model_validate(example("stream_json")[0])),
    ]
    for feed in feeds:
        await feed.stop()
        await feed.stop()
        assert feed.batch >= 1
        assert feed.arrived is None or not feed.arrived.is_set()
        with pytest.raises(FeedTroubleError):
            await feed.fetch([Want("NONE", "15m", None)])


def test_a_secret_header_may_be_named_as_a_variable_is() -> None:
    table = example("http_json")[0] | {"secret_headers": {"x_key": "invented"}}
    assert HttpJsonFeed.Settings.model_validate(table).to_send() == {"x-key": "invented"}


async def test_the_http_example_reads_the_answer_that_it_shows() -> None:
    table, shown = example("http_json")
    body = json.dumps(json.loads(shown)).encode()

    def answer(request: Request) -> Response:
        assert request.path == "/v2/latest?symbols=HRB%2CMLL&interval=M15&from=1772467200000&max=500"
        return Response(200, {"Content-Type": "application/json"}, body)

    with http_server(answer) as server:
        table["url"] = table["url"].replace("https://bars.example.org", server.url)
        feed = HttpJsonFeed(HttpJsonFeed.Settings.model_validate(table))
        await feed.start()
        harbour, mill = await feed.fetch([Want(symbol, "15m", START * 1_000_000_000) for symbol in ("HRB", "MLL")])
        await feed.stop()
    assert told(harbour.bars) == [FIRST]
    assert told(mill.bars)[0]["close"] == 48.05


@pytest.mark.parametrize(
    ("feed_type", "names", "want", "count"),
    [
        (MqttBarsFeed, ("HARBOUR", "15m"), Want("HARBOUR", "15m", None), 2),
        (StreamJsonFeed, (), Want("HRB", "15m", None), 1),
    ],
)
async def test_the_examples_of_pushed_bars_read_the_message_that_they_show(
    feed_type: type[MqttBarsFeed | StreamJsonFeed], names: tuple[str, ...], want: Want, count: int
) -> None:
    kind = next(kind for kind, each in FEEDS.items() if each is feed_type)
    table, shown = example(kind)
    feed = feed_type(feed_type.Settings.model_validate(table))  # type: ignore[arg-type] # each is given its own
    feed.inbox.take(shown, *names)
    (answer,) = await feed.fetch([want])
    assert told(answer.bars)[0] == FIRST
    assert len(answer.bars) == count


async def test_the_folder_example_reads_the_file_that_it_shows(tmp_path: Path) -> None:
    table, shown = example("folder")
    (tmp_path / "HARBOUR-15.csv").write_text(shown)
    feed = FolderFeed(FolderFeed.Settings.model_validate(table | {"path": tmp_path}))
    (answer,) = await feed.fetch([Want("HARBOUR", "15m", START * 1_000_000_000)])
    assert told(answer.bars)[0] == FIRST
    assert len(answer.bars) == 2
