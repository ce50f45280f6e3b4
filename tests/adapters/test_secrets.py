"""What is a secret, and where one has no place."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from pydantic import ValidationError

from adapters.feeds.http_json import HttpJsonFeed
from adapters.feeds.secrets import looks_secret
from adapters.feeds.stream_json import StreamJsonFeed
from scanner.configuration.adapters import prepare
from scanner.configuration.model.settings import load
from tests.adapters.secret_samples import UNSEEN, is_hidden
from tests.adapters.test_feed_stream_json import feed_at

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("names", "secret"),
    [
        ("apikey apiKey API_KEY x-api-key access_key appKey key auth sig signature", True),
        ("token access_token authToken X-Auth-Token client_secret password passwd pwd Cookie Authorization", True),
        ("next_token pageToken continuation-token nextPageToken cursor", False),
        ("symbol from interval keyword monkey keys_only author design tokenized passage sigma", False),
    ],
)
def test_what_looks_like_a_secret(names: str, *, secret: bool) -> None:
    assert {name: looks_secret(name, "f00ba4") for name in names.split()} == dict.fromkeys(names.split(), secret)


@pytest.mark.parametrize("value", ["{next}", "{symbol}{timeframe}", "", True, None, {"a": 1}])
def test_values_under_such_a_name_that_are_not_secrets(value: object) -> None:
    assert not looks_secret("token", value)


URL = "https://bars.example.org/{symbol}"
AT = "wss://bars.example.org/"


@pytest.mark.parametrize(
    ("feed", "settings", "sentence"),
    [
        (HttpJsonFeed, {"query": {"apikey": "f00"}}, "of the query apikey is a secret: give it in secret_query.apikey"),
        (HttpJsonFeed, {"url": URL + "?depth=1&token=f00"}, "of the query token is a secret: give it in secret_query"),
        (StreamJsonFeed, {"url": AT + "?key=f00"}, "of the query key is a secret: give it in secret_query.key"),
        (
            StreamJsonFeed,
            {"subscribe": [{"do": "in", "of": {"token": "f00"}}]},
            "token in it is a secret: .*_subscribe",
        ),
        (StreamJsonFeed, {"subscribe": [{"do": ["in", {"password": ["f00"]}]}]}, "password in it is a secret"),
        (StreamJsonFeed, {"subscribe": ['{"do": "in", "apiKey": "f00"}']}, "apiKey in it is a secret"),
    ],
)
def test_a_secret_has_no_place_in_the_file(
    feed: type[HttpJsonFeed | StreamJsonFeed], settings: dict[str, object], sentence: str
) -> None:
    with pytest.raises(ValidationError, match=sentence) as caught:
        feed.Settings.model_validate({"url": URL if feed is HttpJsonFeed else AT} | settings)
    assert "f00" not in str(caught.value)


def test_paging_and_subscribing_are_not_secrets() -> None:
    query = {"page_token": "first", "token": "{next}"}
    HttpJsonFeed.Settings(url=URL + "?cursor_token={next}&author=7", query=query, next="onward")
    feed_at(1, subscribe=[{"do": "add", "key": "{symbol}"}, "token {symbol}", {"auth": True, "n": [1, [2]]}])


def test_the_names_of_parts_of_the_query_are_the_servers_own(tmp_path: Path) -> None:
    table = f'[feeds.provider]\ntype = "http_json"\nurl = "{URL}"\n'
    (tmp_path / "x.toml").write_text(
        '[station]\nsecrets = "."\n' + table + 'secret_query_names = {api_key = "api-Key"}\n'
    )
    (tmp_path / "feeds.provider.secret_query.userId").write_text("7\n")
    environ = {"CLOSEWATCH_FEEDS__PROVIDER__SECRET_QUERY__API_KEY": UNSEEN}
    prepared = prepare("feeds", "provider", load(tmp_path / "x.toml", {}), environ)
    assert prepared.mistakes == []
    settings: Any = prepared.settings
    assert settings.secret_parts() == {"userId": "7", "api-Key": UNSEEN}
    assert is_hidden(repr(settings))
    assert is_hidden(str(settings.model_dump()))
    (tmp_path / "x.toml").write_text('[station]\nsecrets = "."\n' + table + 'secret_query = {apikey = "f00"}\n')
    (mistake,) = prepare("feeds", "provider", load(tmp_path / "x.toml", {}), {}).mistakes
    assert mistake.sentence.startswith("feeds.provider.secret_query: is a secret; remove it")
