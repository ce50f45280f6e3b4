"""What a person reads about a configuration: every mistake with its line, or when its bars close next."""

from __future__ import annotations

import asyncio
import re
from datetime import UTC, datetime
from decimal import Decimal
from importlib.metadata import entry_points
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from adapters.feeds.exchange import installed_exchanges
from scanner.commands import check as command
from scanner.market.sessions import Timetable
from scanner.service.check import check
from scanner.service.closings import next_closes
from scanner.service.connect import try_all
from scanner.service.histories import histories
from scanner.service.store_lock import StoreLock
from scanner.service.store_trouble import StoreTroubleError
from scanner.settings import SettingsError, from_document, load
from scanner.trade.size import size
from tests.adapters.servers import free_port

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / "config"
EXAMPLE = CONFIG / "watch.example.toml"
SECRETS = {
    "CLOSEWATCH_SINKS__MAIL__PASSWORD": "invented",
    "CLOSEWATCH_SINKS__HOOK__URL": "https://hook.example.org/in",
    "CLOSEWATCH_SINKS__HOOK__SECRET": "sixteen letters or more",
    "CLOSEWATCH_SINKS__PHONE__URLS": "json://push.example.org",
}


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000_000


def test_every_kind_of_mistake_has_its_line_and_its_fix(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(HERE)
    environ = {
        "CLOSEWATCH_FEEDS__PROVDER__X": "1",
        "CLOSEWATCH_STATON__ZONE": "UTC",
        "CLOSEWATCH_STATION__RECORD": "perhaps",
        "CLOSEWATCH_FEEDS__FILES__PATIENCE": "long",
    }
    assert command.run(Path("every_mistake.toml"), environ, 0, connect=True) == 2
    expected = (HERE / "every_mistake.txt").read_text(encoding="utf-8")
    installed = ", ".join(sorted(each.name for each in entry_points(group="closewatch.feeds")))
    assert capsys.readouterr().out == expected.replace("{feeds}", installed)


def test_every_line_that_is_named_has_the_setting_on_it_or_begins_its_table() -> None:
    checked = check(HERE / "every_mistake.toml", {})
    lines = (HERE / "every_mistake.toml").read_text(encoding="utf-8").splitlines()
    found = [re.match(r".*?toml:(\d+): (?:warning: )?([\w.]+): ", told) for told in checked.told()]
    assert len(found) >= 38
    for each in found:
        assert each is not None
        line, path = lines[int(each[1]) - 1], ["", *each[2].split(".")]
        holder, key = path[-2:]
        assert key in line or holder in line or line == "[[routes]]", each[0]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[station]\nname = "a\n', "x.toml:2: TOML: a quote is opened on this line and not closed; "),
        ("[station]\nzone = 1\nzone = 2\n", "x.toml:3: TOML: station.zone stands already on line 2; keep one "),
        ("", "x.toml: there is nothing to watch; add a table [instruments.NAME]"),
        ("[feeds]\ntype = 'folder'\n[instruments.A]\nstep = 1\ntimeframes = ['1d']\nfeed = 'type'\n",
         'x.toml:2: feeds.type: has to be a table, not "folder"'),
        ("instruments = 3", "x.toml:1: instruments: has to be a table, not 3"),
        ("[groups.g]\nsymbol = 'A'", "x.toml:2: groups.g.symbol: is said of each instrument by itself; move it there"),
    ],
)  # fmt: skip
def test_files_that_are_wrong_as_a_whole(text: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("x.toml").write_text(text, encoding="utf-8")
    checked = check(Path("x.toml"), {})
    assert checked.told()[0].startswith(told) or told in checked.told()
    assert checked.settings is None
    assert len(checked.mistakes) <= 2


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(SettingsError, match=r"none\.toml: No such file or directory; give the path of a configuration"):
        check(Path("none.toml"), {})


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.name)
def test_every_configuration_that_comes_with_closewatch_passes(path: Path) -> None:
    environ = SECRETS if path == EXAMPLE else {}
    if path.name == "feed.exchange.example.toml":
        (told,) = check(path, environ).told()
        assert told.endswith(
            'the library ccxt knows no exchange "your-exchange-id"; ccxt.exchanges lists those that it knows'
        )
        environ = {"CLOSEWATCH_FEEDS__COINS__EXCHANGE": installed_exchanges()[0]}
    checked = check(path, environ)
    assert checked.told() == []
    assert checked.settings is not None
    assert checked.settings.watched()


def test_secrets_that_are_not_there_are_named_and_are_no_mistake() -> None:
    checked = check(EXAMPLE, {})
    assert checked.mistakes == []
    assert {".".join(map(str, each.path)) for each in checked.warnings} == {
        "sinks.mail.password",
        "sinks.hook.url",
        "sinks.hook.secret",
        "sinks.phone.urls",
    }


def test_a_file_among_the_secrets_that_is_for_nobody(tmp_path: Path) -> None:
    (tmp_path / "sinks.mial.password").write_text("invented", encoding="utf-8")
    checked = check(EXAMPLE, {**SECRETS, "CLOSEWATCH_SECRETS": str(tmp_path)})
    file = tmp_path / "sinks.mial.password"
    assert checked.told() == [f"warning: the file {file}: is for no sink that there is; did you mean mail?"]


LITERALS = (
    "1",
    "-1",
    "0.5",
    "true",
    '""',
    '"x"',
    '"15m"',
    "[]",
    '["1h"]',
    "{}",
    "{ a = 1 }",
    "2026-01-01",
    "nan",
    "[[]]",
)
EXAMPLE_LINES = EXAMPLE.read_text(encoding="utf-8").splitlines()
SETTINGS = [number for number, line in enumerate(EXAMPLE_LINES) if re.match(r"\w+ = ", line)]


@effort(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(SETTINGS), st.sampled_from((*LITERALS, "gone", "misspelt"))), max_size=4))
def test_whatever_stands_in_a_setting_check_and_load_agree(changes: list[tuple[int, str]]) -> None:
    lines = list(EXAMPLE_LINES)
    for number, change in changes:
        key, _, value = EXAMPLE_LINES[number].partition(" = ")
        lines[number] = {"gone": "", "misspelt": f"{key}x = {value}"}.get(change, f"{key} = {change}")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "x.toml"
        path.write_text("\n".join(lines), encoding="utf-8")
        checked = check(path, SECRETS)
        try:
            settings = load(path, SECRETS, to_watch=True)
        except SettingsError:
            assert checked.mistakes
        else:
            # What is left to find is known only to the feeds and sinks themselves.
            assert {each.path[0] for each in checked.mistakes} <= {"feeds", "sinks"}
            assert len(settings.watched()) == 4
    assert checked.mistakes or checked.settings is not None
    for told in checked.told():
        named = re.search(r"x\.toml:(\d+): ", told)
        assert named is None or 0 < int(named[1]) <= len(lines)


def test_the_timetable_in_both_times(capsys: pytest.CaptureFixture[str]) -> None:
    # NYSE's published holidays for 2026 (from memory; confirmed with exchange_calendars): closed on 26 November, and
    # 27 November ends at 13:00 New York. Wednesday's last bar has just closed. Two bars more than needed are asked for:
    # 252 of 1h are 36 sessions of 7, of which November has had 18.
    assert command.run(EXAMPLE, SECRETS, at("2026-11-25T21:00"), connect=False) == 0
    assert (
        capsys.readouterr().out
        == f"""\
{EXAMPLE} can be used.

group       calendar  timeframe  series  next bar close
currencies  24/5      15m             1  Wed 25 Nov 2026 22:15 Berlin (16:15 New York)
currencies  24/5      4h              1  Wed 25 Nov 2026 23:00 Berlin (17:00 New York)
futures     24/5      15m             1  Wed 25 Nov 2026 22:15 Berlin (16:15 New York)
futures     24/5      1h              1  Wed 25 Nov 2026 23:00 Berlin (17:00 New York)
shares      XNYS      1h              2  Fri 27 Nov 2026 16:30 Berlin (10:30 New York)
shares      XNYS      1d              2  Fri 27 Nov 2026 19:00 Berlin (13:00 New York)

8 series of 4 instruments would be watched.

Before it reports a setup, a series needs:

group       calendar  timeframe  bars       made of  asked from
currencies  24/5      15m         250                Mon 23 Nov 2026
currencies  24/5      4h          250  4,000 of 15m  Mon 28 Sep 2026
futures     24/5      15m         250                Mon 23 Nov 2026
futures     24/5      1h          250  1,000 of 15m  Wed 11 Nov 2026
shares      XNYS      1h          250    928 of 15m  Wed 7 Oct 2026
shares      XNYS      1d          250  6,476 of 15m  Tue 25 Nov 2025
"""
    )


def test_the_timetable_follows_both_clocks_into_summer() -> None:
    settings = load(EXAMPLE, SECRETS)

    def daily_close(now: str) -> int:
        (time,) = (each.time for each in next_closes(settings, at(now)) if each.timeframe.name == "1d")
        return time

    # As above: Friday 6 March closes at 21:00 UTC, Monday 9 March, in summer time, at 20:00 UTC.
    assert daily_close("2026-03-06T20:59") == at("2026-03-06T21:00")
    assert daily_close("2026-03-06T21:00") == at("2026-03-09T20:00")


@pytest.mark.parametrize(
    ("user", "calendar", "now", "told"),
    [
        # New York goes over to summer time on 8 March 2026 and back on 1 November, Berlin on 29 March and 25 October.
        ("Europe/Berlin", "XNYS", "2026-03-06T20:45", "Fri 6 Mar 2026 22:00 Berlin (16:00 New York)"),
        ("Europe/Berlin", "XNYS", "2026-03-06T21:00", "Mon 9 Mar 2026 14:45 Berlin (09:45 New York)"),
        ("Europe/Berlin", "XNYS", "2026-03-27T20:00", "Mon 30 Mar 2026 15:45 Berlin (09:45 New York)"),
        ("Europe/Berlin", "XNYS", "2026-10-23T20:00", "Mon 26 Oct 2026 14:45 Berlin (09:45 New York)"),
        ("Europe/Berlin", "XNYS", "2026-10-30T20:00", "Mon 2 Nov 2026 15:45 Berlin (09:45 New York)"),
        ("UTC", "24/5", "2026-03-06T22:00", "Sun 8 Mar 2026 21:15 UTC (17:15 New York)"),
        ("Australia/Sydney", "24/5", "2026-10-30T21:00", "Mon 2 Nov 2026 09:15 Sydney (Sun 1 Nov 17:15 New York)"),
        ("Europe/Berlin", "24/7", "2026-10-25T00:20", "Sun 25 Oct 2026 02:30 Berlin (00:30 UTC)"),
        ("Europe/Berlin", "24/7", "2026-10-25T01:20", "Sun 25 Oct 2026 02:30 Berlin (01:30 UTC)"),
    ],
)
def test_the_timetable_is_printed_over_a_change_of_either_clock(user: str, calendar: str, now: str, told: str) -> None:
    instrument = {"feed": "files", "step": "1", "calendar": calendar, "timeframes": ["15m"]}
    document = {
        "station": {"zone": user},
        "feeds": {"files": {"type": "folder", "path": "."}},
        "instruments": {"A": instrument},
    }
    rows = command.timetable(from_document(document, Path(), {}), at(now))
    assert rows[1].endswith(f"  {told}")


def test_history_is_counted_in_bars_of_the_base_by_the_sessions() -> None:
    groups = {
        "shares": {"calendar": "XNYS", "timeframes": ["15m", "1h", "1d"], "base": "15m"},
        "unknown": {"calendar": "none", "timeframes": ["1h"], "base": "1m", "rules": {"warm_up": 300}},
        "coins": {"calendar": "24/7", "timeframes": ["1h"]},
    }
    document = {
        "feeds": {"files": {"type": "folder", "path": "."}},
        "defaults": {"feed": "files", "step": "1"},
        "groups": groups,
        "instruments": {group: {"group": group} for group in groups},
    }
    found = histories(from_document(document, Path(), {}), at("2026-11-25T21:00"))
    assert [(each.group, each.timeframe.name, each.bars, each.base.name, each.base_bars) for each in found] == [
        ("coins", "1h", 250, "1h", 250),
        ("shares", "15m", 250, "15m", 250),
        # 35 sessions of 7 bars, the last of each half an hour, and 5 bars of the session before: 35 times 26, and 18.
        ("shares", "1h", 250, "15m", 928),
        # 250 sessions of 26, but for two that ended at 13:00, after 14: 28 November and 24 December 2025.
        ("shares", "1d", 250, "15m", 250 * 26 - 2 * 12),
        ("unknown", "1h", 300, "1m", 18_000),
    ]
    for each in found:
        opens, _ = Timetable(each.calendar, each.timeframe).closes_between(each.since, at("2026-11-25T21:00"))
        assert len(opens) >= each.bars


async def test_connecting_tries_each_on_its_own(tmp_path: Path, silent_server: int) -> None:
    (tmp_path / "bars").mkdir()
    (tmp_path / "bars" / "A_1d.csv").write_text("time,open,high,low,close\n2024-01-02,1,2,1,2\n", encoding="utf-8")
    config, closed = tmp_path / "x.toml", free_port()
    config.write_text(
        f"""
        [feeds.web]
        type = "http_json"
        url = "http://127.0.0.1:{closed}/{{symbol}}"
        [feeds.there]
        type = "folder"
        path = "bars"
        [feeds.away]
        type = "folder"
        path = "nowhere"
        [sinks.file]
        type = "jsonl"
        path = "events.jsonl"
        [sinks.broker]
        type = "mqtt"
        host = "127.0.0.1"
        port = {silent_server}
        timeout = 60
        [sinks.hook]
        type = "webhook"
        [instruments.A]
        feed = "there"
        step = 1
        timeframes = ["1d"]
        [instruments.B]
        feed = "web"
        step = 1
        timeframes = ["1d"]
        """,
        encoding="utf-8",
    )
    settings = check(config, {}).settings
    assert settings is not None
    found = await try_all(settings, {}, seconds=0.5)
    assert f"http://127.0.0.1:{closed}/B: cannot be reached" in str(found.pop("feed web").trouble)
    assert found.pop("feed there") == (None, "1 bar of A 1d from Tue 2 Jan 2024 00:00 UTC to Wed 3 Jan 2024 00:00 UTC")
    assert {name: each.trouble for name, each in found.items()} == {
        "feed away": f"{tmp_path}/nowhere: there is no such folder; check path",
        "sink file": None,
        "sink broker": "it has not answered within 0.5 s; check its address and the network",
        "sink hook": "sinks.hook.url: this secret is not there; give it as CLOSEWATCH_SINKS__HOOK__URL in the "
        "environment, or in the file sinks.hook.url of the secrets folder",
    }
    assert not (tmp_path / "closewatch.db.lock").exists()


async def test_connecting_leaves_a_running_station_alone(tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    config.write_text('[sinks.file]\ntype = "jsonl"\npath = "events.jsonl"', encoding="utf-8")
    settings = load(config, {})
    running = StoreLock(settings.store_path)
    with pytest.raises(StoreTroubleError, match=r"another closewatch .* is using this store; stop it first"):
        await try_all(settings, {})
    assert not (tmp_path / "events.jsonl").exists()
    running.release()
    assert await try_all(settings, {}) == {"sink file": (None, "")}


@pytest.fixture
async def silent_server() -> AsyncIterator[int]:
    """Give the port of a server that takes connections and never says a word."""
    writers = []

    async def listen(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        await reader.read()

    server = await asyncio.start_server(listen, "127.0.0.1", 0)
    yield server.sockets[0].getsockname()[1]
    server.close()
    for writer in writers:
        writer.close()
        await writer.wait_closed()
    await server.wait_closed()


def test_a_list_that_is_empty_only_without_what_is_wrong_in_it_is_told_once(tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    config.write_text('[defaults]\ntimeframes = ["15min"]\nstep = 1\n[instruments.A]\n', encoding="utf-8")
    told = [line for line in check(config, {}).told() if "timeframes" in line]
    assert len(told) == 1
    assert "did you mean 15m?" in told[0]


NO_RATE = (
    "4: warning: account.fx: there is no rate for JPY, the currency of B, and no size can be given without one; "
    "add what 1 JPY is worth in USD: fx = { JPY = … }"
)
NO_CURRENCY = (
    "1: warning: account: the equity is taken to be in JPY and in USD, for currency is missing; add it, and fx"
)
MONEY = """\
[account]
equity = 50000
{account}
[feeds.files]
type = "folder"
path = "."
[defaults]
feed = "files"
timeframes = ["1d"]
step = 1
[instruments.A]
currency = "USD"
[instruments.B]
currency = "JPY"
[instruments.C]
"""


@pytest.mark.parametrize(
    ("account", "told"),
    [
        ('currency = "USD"\nfx = { GBP = 1.2 }', [NO_RATE]),
        ('currency = "USD"\nfx = { JPY = 0.0061 }', []),
        ("", [NO_CURRENCY]),
        ("fx = { JPY = 0.0061 }", []),
    ],
)
def test_a_currency_without_a_rate_is_told_before_a_setup_comes_without_a_size(
    account: str, told: list[str], tmp_path: Path
) -> None:
    config = tmp_path / "x.toml"
    config.write_text(MONEY.format(account=account), encoding="utf-8")
    checked = check(config, {})
    assert checked.told() == [f"{config}:{each}" for each in told]
    assert checked.settings is not None
    sized = {each.instrument.symbol: size(checked.settings.account, each.instrument, Decimal(100), Decimal(1))[0]
             for each in checked.settings.watched()}  # fmt: skip
    assert (sized["B"] is None) == any("no rate for JPY" in each for each in told)


ROUTED = """\
[feeds.files]
type = "folder"
path = "."
[sinks.screen]
type = "console"
{routes}
[defaults]
feed = "files"
timeframes = ["15m", "1h"]
step = 1
[groups.shares]
[groups.goods]
[instruments.A]
group = "shares"
[instruments.B]
group = "goods"
[instruments.C]
"""
UNTOLD = (
    "no route takes setup.qualified of {}; nobody will be told of such setups: look at kinds, groups and timeframes"
)
UNSEEN = "no route takes feed.late; nobody would be told that nobody is looking: add it to the kinds of a route"


@pytest.mark.parametrize(
    ("routes", "told"),
    [
        ([], []),
        (["least_evidence = 4"], []),
        (['kinds = ["setup.withdrawn"]'], [UNTOLD.format("any series"), UNSEEN]),
        (['groups = ["shares"]'], [UNTOLD.format("B 15m, B 1h, C 15m and 1 more")]),
        (['groups = ["shares"]\ntimeframes = ["1h"]', 'groups = ["goods"]'], [UNTOLD.format("A 15m, C 15m, C 1h")]),
        (['kinds = ["setup.qualified"]\ndirections = ["long"]'], [UNSEEN]),
        (['kinds = ["setup.qualified"]', 'kinds = ["feed.late"]\ntimeframes = ["15m"]'], []),
    ],
)
def test_what_reaches_no_sink_is_told_once_and_by_name(routes: list[str], told: list[str], tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    text = "\n".join(f'[[routes]]\nsinks = ["screen"]\n{each}' for each in routes)
    config.write_text(ROUTED.format(routes=text), encoding="utf-8")
    checked = check(config, {})
    assert checked.settings is not None
    assert checked.told() == [f"{config}:6: warning: routes: {each}" for each in told]
