"""What a person reads about a configuration: every mistake with its line, or when its bars close next."""

from __future__ import annotations

import re
from importlib.metadata import entry_points
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from adapters.feeds.exchange import installed_exchanges
from scanner.commands.station import check as command
from scanner.configuration.check import check
from scanner.configuration.model.settings import SettingsError, load
from tests.configuration.examples import CONFIG, EXAMPLE, SECRETS
from tests.effort import EFFORT

HERE = Path(__file__).parent


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
    now = 1_781_265_600 * 10**9  # 2026-06-12
    assert command.run(Path("every_mistake.toml"), environ, now, connect=True) == 2
    expected = (HERE / "every_mistake.txt").read_text(encoding="utf-8")
    installed = ", ".join(sorted(each.name for each in entry_points(group="closewatch.feeds")))
    assert capsys.readouterr().out == expected.replace("{feeds}", installed)


@pytest.mark.parametrize(
    ("tables", "sentence"),
    [
        (
            'account = { currency = "EUR", fx = { EUR = 2 } }',
            "account.fx: EUR is the currency of the account, so one is worth one; take it out",
        ),
        (
            'account = { currency = "EUR", fx = { usd = 2 } }',
            "account.fx: 'usd' must be three capital letters (ISO 4217) such as EUR",
        ),
        (
            "account = { fx_date = 20261102 }",
            "account.fx_date: must be a date such as 2026-06-12, not 20261102",
        ),
        ('station = { store = "." }', 'station.store: must be the path of a file, such as "closewatch.db"'),
        (
            'defaults = { adjustments = [{ date = 2026-05-18, ratio = "2:1" }, { date = 2026-05-18, ratio = "2:1" }] }',
            "defaults.adjustments: there are two splits of 2026-05-18; both would count; write one ratio",
        ),
    ],
)
def test_settings_that_contradict_each_other_are_not_ignored_in_silence(
    tables: str, sentence: str, tmp_path: Path
) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(tables)
    assert f"{path}:1: {sentence}" in check(path, {}).sentences()


def test_true_and_false_are_no_numbers(tmp_path: Path) -> None:
    """«half_at = true» would close half at 1 R, and «keep_days = true» would keep one day."""
    path = tmp_path / "watch.toml"
    path.write_text(
        """
        station = { keep_days = true, record = true }
        limits = { rate_days = false }
        rules = { stop_margin = true }
        follow = { half_at = true, flat_by_close = true }
        surroundings = { min_room = true }
        study = { max_age = true }
        ceiling = { screen = true }
        routes = [{ sinks = ["screen"], least_evidence = true }]
        setups = { doji_pause = { doji_body = true, forming = true } }
        defaults = { feed = "files", step = "0.01", timeframes = ["1h"], calendar = "XNYS" }
        groups = { shares = { rules = { stop_far = true } } }
        feeds = { files = { type = "folder", path = ".", keep = true } }
        sinks = { screen = { type = "console" } }
        instruments = { GANNET = { group = "shares" } }
        """
    )
    sentences = check(path, {}).sentences()
    assert {each.removeprefix(f"{path}:").partition(": ")[2] for each in sentences} == {
        *(f"{each}: must be a number, not true" for each in ("station.keep_days", "rules.stop_margin", "ceiling")),
        *(f"{each}: must be a number, not true" for each in ("follow.half_at", "surroundings.min_room")),
        *(f"{each}: must be a number, not true" for each in ("study.max_age", "routes.least_evidence")),
        *(f"{each}: must be a number, not true" for each in ("setups.doji_pause.doji_body", "feeds.files.keep")),
        "groups.shares.rules.stop_far: must be a number, not true",
        "limits.rate_days: must be a number, not false",
    }


@pytest.mark.parametrize(
    ("whole", "value", "part"),
    [
        ("CLOSEWATCH_STATION", "loft", "CLOSEWATCH_STATION__ZONE"),
        ("CLOSEWATCH_STATION__ZONE", "UTC", "CLOSEWATCH_STATION__ZONE__OF__X"),
        ("CLOSEWATCH_ROUTES", "[]", "CLOSEWATCH_ROUTES__0__SINKS"),
    ],
)
def test_a_setting_that_the_environment_gives_whole_and_in_part_is_a_mistake(whole: str, value: str, part: str) -> None:
    sentence = f"{part} in the environment: {whole} gives the whole setting; give it as a table in JSON, "
    assert f"{sentence}or remove one of the two" in check(EXAMPLE, {whole: value, part: "UTC"}).sentences()
    with pytest.raises(SettingsError, match=re.escape(sentence)):
        load(EXAMPLE, {whole: value, part: "UTC"})


def test_variables_of_other_programs_change_nothing() -> None:
    others = {"STATION__NAME": "pier", "ACCOUNT__EQUITY": "5", "OTHER_STATION__ZONE": "Asia/Tokyo"}
    assert check(EXAMPLE, others | {"STATON__ZONE": "UTC"}).sentences() == check(EXAMPLE, {}).sentences()
    assert load(EXAMPLE, others).model_dump() == load(EXAMPLE, {}).model_dump()


def test_a_table_that_the_environment_gives_may_have_parts_of_its_own_there() -> None:
    environ = {"CLOSEWATCH_STATION": '{"name": "pier"}', "CLOSEWATCH_STATION__ZONE": "Asia/Tokyo"}
    station = load(EXAMPLE, environ).station
    assert (station.name, station.zone) == ("pier", "Asia/Tokyo")


def test_every_line_that_is_named_has_the_setting_on_it_or_begins_its_table() -> None:
    checked = check(HERE / "every_mistake.toml", {})
    lines = (HERE / "every_mistake.toml").read_text(encoding="utf-8").splitlines()
    found = [re.match(r".*?toml:(\d+): (?:warning: )?([\w.]+): ", told) for told in checked.sentences()]
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
        ("[station]\nzone = 1\nzone = 2\n", "x.toml:3: TOML: station.zone is already on line 2; keep one "),
        ("", "x.toml: there is nothing to watch; add a table [instruments.NAME]"),
        (
            "[feeds]\ntype = 'folder'\n[instruments.A]\nstep = 1\ntimeframes = ['1d']\nfeed = 'type'\n",
            'x.toml:2: feeds.type: must be a table, not "folder"',
        ),
        ("instruments = 3", "x.toml:1: instruments: must be a table, not 3"),
        ("[groups.g]\nsymbol = 'A'", "x.toml:2: groups.g.symbol: belongs to each instrument; move it there"),
    ],
)
def test_files_that_are_wrong_as_a_whole(text: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("x.toml").write_text(text, encoding="utf-8")
    checked = check(Path("x.toml"), {})
    assert checked.sentences()[0].startswith(told) or told in checked.sentences()
    assert checked.settings is None
    assert len(checked.mistakes) <= 2


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(SettingsError, match=r"none\.toml: No such file or directory; give the path of a configuration"):
        check(Path("none.toml"), {})


def test_a_store_that_is_a_folder_is_a_mistake(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("[station]\nstore = 'kept'\n")
    sentence = f"{path}:2: station.store: {tmp_path / 'kept'} is a folder; give the file of the store, such as"
    assert not any(each.startswith(sentence) for each in check(path, {}).sentences())
    (tmp_path / "kept").mkdir()
    assert any(each.startswith(sentence) for each in check(path, {}).sentences())


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.name)
def test_every_configuration_that_comes_with_closewatch_passes(path: Path) -> None:
    environ = SECRETS if path == EXAMPLE else {}
    if path.name == "feed.exchange.example.toml":
        (told,) = check(path, environ).sentences()
        assert told.endswith(
            'the library ccxt knows no exchange "your-exchange-id"; ccxt.exchanges lists those that it knows'
        )
        environ = {"CLOSEWATCH_FEEDS__COINS__EXCHANGE": installed_exchanges()[0]}
    checked = check(path, environ)
    if path.name == "page.example.toml":
        password, certificate = checked.sentences()  # its files are the user's to make
        assert "page.password: No such file or directory; " in password
        assert "No such file or directory; name a PEM file that this user may read" in certificate
        return
    assert checked.sentences() == []
    assert checked.settings is not None
    assert checked.settings.watched()


def test_missing_secrets_are_named_and_are_not_a_mistake() -> None:
    checked = check(EXAMPLE, {})
    assert checked.mistakes == []
    assert {".".join(map(str, each.path)) for each in checked.warnings} == {
        "sinks.mail.password",
        "sinks.hook.url",
        "sinks.hook.secret",
        "sinks.phone.urls",
    }


def test_a_file_in_the_secrets_folder_without_a_feed_or_sink_is_a_mistake(tmp_path: Path) -> None:
    (tmp_path / "sinks.mial.password").write_text("invented", encoding="utf-8")
    checked = check(EXAMPLE, {**SECRETS, "CLOSEWATCH_SECRETS": str(tmp_path)})
    file = tmp_path / "sinks.mial.password"
    assert checked.sentences() == [
        f"warning: the file {file}: belongs to no sink in the configuration; did you mean mail?"
    ]


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


@effort(deadline=None, max_examples=15 * EFFORT)
@given(st.lists(st.tuples(st.sampled_from(SETTINGS), st.sampled_from((*LITERALS, "gone", "misspelt"))), max_size=4))
def test_check_and_load_agree_on_any_value_of_a_setting(changes: list[tuple[int, str]]) -> None:
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
    for told in checked.sentences():
        named = re.search(r"x\.toml:(\d+): ", told)
        assert named is None or 0 < int(named[1]) <= len(lines)


def test_a_list_that_is_empty_only_without_what_is_wrong_in_it_is_reported_once(tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    config.write_text('[defaults]\ntimeframes = ["15min"]\nstep = 1\n[instruments.A]\n', encoding="utf-8")
    told = [line for line in check(config, {}).sentences() if "timeframes" in line]
    assert len(told) == 1
    assert "did you mean 15m?" in told[0]


@pytest.mark.parametrize("where", ["RULES", "GROUPS__SHARES__RULES"])
def test_an_average_entry_needs_a_bar_to_close_beyond_the_average_and_one_to_be_filled_at(where: str) -> None:
    """With fewer, each setup would lapse without a word."""
    environ = SECRETS | {f"CLOSEWATCH_{where}__ENTRY_STYLE": "average", "CLOSEWATCH_FOLLOW__MAX_WAIT": "2"}
    assert check(EXAMPLE, environ).sentences() == []
    (told,) = check(EXAMPLE, environ | {"CLOSEWATCH_FOLLOW__MAX_WAIT": "1"}).sentences()
    assert told.endswith(
        "follow.max_wait: must be at least 2 for the average entry: one bar closes beyond the average, and the next is "
        "entered at its open"
    )
