"""Feeds and sinks made from a configuration, with secrets that are never in it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

from adapters.feeds.folder import FolderFeed
from adapters.feeds.http_json import HttpJsonFeed
from adapters.sinks.console import ConsoleSink
from adapters.sinks.push import PushSink
from scanner.configuration.adapters import build_feed, build_sink, prepare
from scanner.configuration.model.settings import SettingsError, load
from tests.configuration.other_package import SOUND, install

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.configuration.model.settings import Settings

TEXT = """
[station]
name = "loft"
zone = "Europe/Berlin"
secrets = "secrets"
[feeds.files]
type = "folder"
path = "bars"
[feeds."my provider"]
type = "http_json"
url = "https://bars.example.org/{symbol}"
[sinks.screen]
type = "console"
[sinks.broker]
type = "mqtt"
host = "broker.example.org"
user = "loft"
[sinks.mail]
type = "email"
host = "mail.example.org"
user = "loft"
sender = "loft@example.org"
to = ["avery@example.org"]
zone = "Asia/Tokyo"
[sinks.hook]
type = "webhook"
[sinks.phone]
type = "push"
[sinks.log]
type = "jsonl"
path = "-"
[instruments.HARBOUR]
calendar = "XNYS"
step = 1
timeframes = ["1d"]
feed = "files"
"""


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    (tmp_path / "secrets").mkdir()
    return written(tmp_path, TEXT)


def written(folder: Path, text: str) -> Settings:
    (folder / "x.toml").write_text(text, encoding="utf-8")
    return load(folder / "x.toml", {})


def made(section: Any, name: str, settings: Settings, environ: dict[str, str]) -> Any:  # noqa: ANN401 - as each adapter has it
    prepared = prepare(section, name, settings, environ)
    assert prepared.mistakes == []
    assert prepared.secrets_missing == []
    return prepared.settings


def test_adapters_are_found_by_their_type(settings: Settings) -> None:
    assert isinstance(build_feed("files", settings, {}), FolderFeed)
    assert isinstance(build_feed("my provider", settings, {}), HttpJsonFeed)
    assert isinstance(build_sink("screen", settings, {}), ConsoleSink)


def test_sinks_know_what_the_station_knows(settings: Settings) -> None:
    sink: Any = build_sink("screen", settings, {})
    assert sink._exchange_zones == {"HARBOUR": "America/New_York"}
    assert made("sinks", "screen", settings, {}).zone == "Europe/Berlin"
    assert made("sinks", "mail", settings, {"CLOSEWATCH_SINKS__MAIL__PASSWORD": "x"}).zone == "Asia/Tokyo"
    assert made("sinks", "broker", settings, {}).station == "loft"


def test_paths_count_from_the_configuration_but_not_the_standard_output(settings: Settings, tmp_path: Path) -> None:
    assert made("feeds", "files", settings, {}).path == tmp_path / "bars"
    assert str(made("sinks", "log", settings, {}).path) == "-"


def test_a_secret_is_taken_from_a_file_and_before_that_from_the_environment(settings: Settings, tmp_path: Path) -> None:
    (tmp_path / "secrets" / "sinks.broker.password").write_text("from the file\n", encoding="utf-8")
    assert made("sinks", "broker", settings, {}).password.get_secret_value() == "from the file"
    # A password may look like a number; it stays what it is.
    environ = {"CLOSEWATCH_SINKS__BROKER__PASSWORD": "0123456789"}
    assert made("sinks", "broker", settings, environ).password.get_secret_value() == "0123456789"


def test_the_environment_may_name_another_folder(settings: Settings, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "sinks.hook.secret").write_text("sixteen letters or more", encoding="utf-8")
    environ = {"CLOSEWATCH_SECRETS": str(other), "CLOSEWATCH_SINKS__HOOK__URL": "https://hook.example.org"}
    assert made("sinks", "hook", settings, environ).secret.get_secret_value() == "sixteen letters or more"


def test_secrets_of_several_parts(settings: Settings, tmp_path: Path) -> None:
    (tmp_path / "secrets" / "feeds.my provider.secret_headers.X-Key").write_text("k\n", encoding="utf-8")
    environ = {"CLOSEWATCH_FEEDS__MY_PROVIDER__SECRET_HEADERS__AUTHORIZATION": "Bearer invented"}
    assert made("feeds", "my provider", settings, environ).to_send() == {
        "X-Key": "k",
        "authorization": "Bearer invented",
    }
    (tmp_path / "secrets" / "sinks.phone.urls").write_text(
        "json://a.example.org\njson://b.example.org\n", encoding="utf-8"
    )
    assert [url.get_secret_value() for url in made("sinks", "phone", settings, {}).urls] == [
        "json://a.example.org",
        "json://b.example.org",
    ]
    assert isinstance(build_sink("phone", settings, {}), PushSink)


def test_other_settings_of_an_adapter_may_come_from_the_environment_too(settings: Settings) -> None:
    environ = {"CLOSEWATCH_FEEDS__FILES__PATIENCE": "45", "CLOSEWATCH_SINKS__BROKER__TLS": "true"}
    assert made("feeds", "files", settings, environ).patience == 45.0
    assert made("sinks", "broker", settings, environ).tls is True


HOOK = "CLOSEWATCH_SINKS__HOOK__"
WRONG = {
    "sinks.hook.url: this secret is missing; give it as CLOSEWATCH_SINKS__HOOK__URL in the environment, "
    "or in the file sinks.hook.url of the secrets folder": ("hook", {}),
    "sinks.mail.password: this secret is missing; give it as CLOSEWATCH_SINKS__MAIL__PASSWORD in the environment, "
    "or in the file sinks.mail.password of the secrets folder": ("mail", {}),
    "CLOSEWATCH_SINKS__HOOK__SECRET in the environment: sinks.hook.secret: must have at least 16 characters": (
        "hook",
        {HOOK + "URL": "https://h.example.org", HOOK + "SECRET": "hush"},
    ),
    "CLOSEWATCH_SINKS__SCREEN__ZNOE in the environment: sinks.screen.znoe: there is no such setting; "
    "did you mean zone?": (
        "screen",
        {"CLOSEWATCH_SINKS__SCREEN__ZNOE": "UTC"},
    ),
}


@pytest.mark.parametrize(("told", "name", "environ"), [(told, *given) for told, given in WRONG.items()])
def test_what_is_missing_or_wrong_is_a_sentence(
    settings: Settings, name: str, environ: dict[str, str], told: str
) -> None:
    with pytest.raises(SettingsError) as problem:
        build_sink(name, settings, environ)
    assert str(problem.value) == told


def test_a_secret_in_the_file_is_refused_with_the_places_where_it_may_be(tmp_path: Path) -> None:
    table = 'url = "https://bars.example.org/{symbol}"\nsecret_query = { apiKey = "token-of-mine" }'
    text = TEXT.replace('url = "https://bars.example.org/{symbol}"', table).replace('secrets = "secrets"', "")
    settings = written(tmp_path, text)
    (mistake,) = prepare("feeds", "my provider", settings, {}).mistakes
    assert mistake.sentence == (
        "feeds.my provider.secret_query: is a secret; remove it and give it as "
        "CLOSEWATCH_FEEDS__MY_PROVIDER__SECRET_QUERY__APIKEY in the environment, "
        "or in the file feeds.my provider.secret_query.apiKey of the secrets folder"
    )


def test_no_sentence_contains_a_secret(settings: Settings) -> None:
    environ = {
        "CLOSEWATCH_SINKS__HOOK__URL": "hxxp://token-of-mine",
        "CLOSEWATCH_SINKS__HOOK__SECRET": "hush",
        "CLOSEWATCH_SINKS__BROKER__CLIENT_KEY_PASSWORD": "token-of-mine",
        "CLOSEWATCH_SINKS__BROKER__PORT": "no number",
        "CLOSEWATCH_FEEDS__MY_PROVIDER__SECRET_HEADERS": "Bearer token-of-mine",
    }
    prepared = [
        prepare("sinks", "hook", settings, environ),
        prepare("sinks", "broker", settings, environ),
        prepare("feeds", "my provider", settings, environ),
    ]
    sentences = [mistake.sentence for each in prepared for mistake in each.mistakes]
    assert len(sentences) == 4
    assert not any("token-of-mine" in each or "hush" in each for each in sentences)


def test_a_secret_in_the_file_is_refused(tmp_path: Path) -> None:
    settings = written(
        tmp_path, TEXT.replace('user = "loft"\n[sinks.mail]', 'user = "loft"\npassword = "x"\n[sinks.mail]')
    )
    with pytest.raises(SettingsError, match=r"^sinks\.broker\.password: is a secret; remove it and give it as CLOSE"):
        build_sink("broker", settings, {"CLOSEWATCH_SECRETS": str(tmp_path)})


def test_a_secrets_folder_that_is_not_there(settings: Settings) -> None:
    with pytest.raises(SettingsError, match=r"^sinks\.screen: the secrets folder cannot be read .*check secrets of"):
        build_sink("screen", settings, {"CLOSEWATCH_SECRETS": "/nowhere/at/all"})


def test_an_unknown_type_lists_those_that_are_installed(tmp_path: Path) -> None:
    settings = written(tmp_path, '[feeds.a]\ntype = "foldr"\n[sinks.b]\ntype = "gramophone"\n')
    near = r'^feeds\.a\.type: there is no feed type "foldr"; did you mean folder\? \(installed are exchange, folder'
    with pytest.raises(SettingsError, match=near):
        build_feed("a", settings, {})
    far = r'^sinks\.b\.type: there is no sink type "gramophone"; installed are console, desktop'
    with pytest.raises(SettingsError, match=far):
        build_sink("b", settings, {})


def changed(old: str, new: str) -> str:
    assert old in SOUND
    return SOUND.replace(old, new)


@pytest.mark.parametrize(
    ("name", "source", "told"),
    [
        ("gone", "", "cannot be loaded (AttributeError: module 'gone' has no attribute 'Feed'); correct gone:Feed"),
        ("raising", "raise ValueError('no gulls')", "cannot be loaded (ValueError: no gulls); correct raising:Feed"),
        ("leaving", "raise SystemExit(0)", "cannot be loaded (SystemExit: 0); correct leaving:Feed"),
        ("number", "Feed = 3", "number:Feed is not a class with a pydantic model Settings; scanner.ports.Feed says"),
        ("lenient", changed('extra="forbid"', ""), 'has Settings without extra="forbid"'),
        ("at_rest", changed("async def fetch", "def fetch"), "at_rest:Feed has no async method fetch"),
    ],
)
def test_a_type_of_another_package_that_cannot_be_used_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, source: str, told: str
) -> None:
    install(tmp_path, monkeypatch, **{name: source})
    settings = written(tmp_path, f'[feeds.mine]\ntype = "{name}"\n')
    (mistake,) = prepare("feeds", "mine", settings, {}).mistakes
    assert told in mistake.sentence
    assert mistake.sentence.startswith(f"feeds.mine.type: the type {name} cannot be ")


@pytest.mark.parametrize(
    ("name", "source", "told"),
    [
        ("faulty", changed("        pass\n", "        raise SystemExit(0)\n"), "cannot be made (SystemExit: 0)"),
        ("without", changed("    arrived = None\n", ""), "its adapter has no arrived; scanner.ports.Feed says"),
        ("lax", changed("FeedLimits()", "120"), "limits of its adapter is 120; it must be scanner.ports.FeedLimits"),
        ("none", changed("batch = 1", "batch = 0"), "batch of its adapter is 0; it must be a whole number, 1 or more"),
    ],
)
def test_an_adapter_that_cannot_be_made_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, source: str, told: str
) -> None:
    install(tmp_path, monkeypatch, **{name: source})
    with pytest.raises(SettingsError, match=rf"^feeds\.mine: .*{re.escape(told)}"):
        build_feed("mine", written(tmp_path, f'[feeds.mine]\ntype = "{name}"\n'), {})
