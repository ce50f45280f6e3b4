"""The configuration: where each setting is, what overrides what, and what is refused in a sentence."""

from __future__ import annotations

import re
from datetime import time
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from scanner.configuration.model.settings import SettingsError, load
from scanner.market.bars import Bars
from scanner.market.sessions.calendars import calendar_named

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from scanner.configuration.model.settings import Settings, Watched

    Loader = Callable[..., Settings]

FULL = """
[rules]
stop_margin = 0.1
average_rise = 12
[setups.doji_pause]
drive_min = 1.2
solid = 0.6
[setups.hammer]
[feeds.files]
type = "folder"
path = "bars"
[sinks.screen]
type = "console"
[defaults]
feed = "files"
timeframes = ["1h"]
step = 0.01
currency = "USD"
[groups.shares]
calendar = "XNYS"
timeframes = ["1h", "15m", "1D"]
lot_step = 10
rules = { average_rise = 14 }
setups = { doji_pause = { drive_min = 1.5 }, hammer = { on = false } }
[instruments.HARBOUR]
group = "shares"
symbol = "HRB"
lot_step = "100"
adjustments = [{ date = 2026-06-15, ratio = "2:1" }, { date = "2027-01-04T09:30:00+00:00", ratio = "1:3" }]
[instruments.MILL-2]
zone = "Asia/Tokyo"
step = "eu_shares:450"
"""


@pytest.fixture
def loaded(tmp_path: Path) -> Loader:
    def load_text(text: str, environ: Mapping[str, str] | None = None) -> Settings:
        path = tmp_path / "x.toml"
        path.write_text(text, encoding="utf-8")
        return load(path, environ or {})

    return load_text


def test_an_instrument_says_it_itself_or_its_group_does_or_the_defaults(loaded: Loader) -> None:
    harbour, mill = loaded(FULL).watched()
    assert (harbour.symbol, harbour.feed, harbour.group, harbour.calendar.name) == ("HRB", "files", "shares", "XNYS")
    assert [each.name for each in harbour.timeframes] == ["15m", "1h", "1d"]
    assert harbour.base.name == "15m"
    assert harbour.instrument.lot_step == Decimal(100)
    assert harbour.instrument.steps.at(Decimal(20)) == Decimal("0.01")
    assert (mill.symbol, mill.group, mill.calendar.name, mill.calendar.tz) == ("MILL-2", "", "none", "Asia/Tokyo")
    assert [each.name for each in mill.timeframes] == ["1h"]
    assert mill.instrument.lot_step == Decimal(1)
    # Commission Delegated Regulation (EU) 2017/588, annex (from memory): 30 at fewer than 600 trades a day → 0.05
    assert mill.instrument.steps.at(Decimal(30)) == Decimal("0.05")


def test_a_group_differs_in_its_rules_and_keeps_the_others(loaded: Loader) -> None:
    harbour, mill = loaded(FULL).watched()
    assert (harbour.rules.average_rise, harbour.rules.stop_margin) == (14, 0.1)
    assert (mill.rules.average_rise, mill.rules.stop_margin) == (12, 0.1)


def test_an_instrument_may_be_named_like_a_group(loaded: Loader) -> None:
    own = '[instruments."group shares"]\nsetups = { doji_pause = { drive_min = 3.0 } }\n'
    harbour, _, alike = loaded(FULL + own).watched()
    assert [numbers(each)["doji_pause"]["drive_min"] for each in (alike, harbour)] == [3.0, 1.5]


def numbers(of: Watched) -> dict[str, dict[str, Any]]:
    """Give the numbers of each setup that is watched."""
    return {chosen.setup.name: chosen.numbers.model_dump() for chosen in of.rulebook.setups}


def test_numbers_are_held_against_those_of_the_tables_before(loaded: Loader) -> None:
    """Each table may be right alone and wrong together with others, or the other way round."""
    first = "[setups.outside_bar]\nrange_min = 2.0\nrange_max = 4.0\n"
    assert loaded(first + "[groups.G.setups.outside_bar]\nrange_min = 3.5\n").groups
    told = r"groups\.G\.setups\.outside_bar: range_min \(2\) must not be greater than range_max \(1\.5\)"
    with pytest.raises(SettingsError, match=told):
        loaded(first + "[groups.G.setups.outside_bar]\nrange_max = 1.5\n")


def test_setups_are_those_listed_and_differ_by_group_and_instrument(loaded: Loader) -> None:
    own = "setups = { hammer = { wait = 3 }, flag = {}, doji_pause = { on = false } }\n"
    harbour, mill = loaded(FULL + own).watched()
    # Of those not listed only the ones watched by default; an instrument's own table comes last.
    assert list(numbers(harbour)) == ["doji_pause"]
    assert [numbers(harbour)["doji_pause"][name] for name in ("drive_min", "solid", "alike")] == [1.5, 0.6, 1.75]
    assert list(numbers(mill)) == ["flag", "hammer"]
    assert numbers(mill)["hammer"]["wait"] == 3


@pytest.mark.parametrize(
    ("before", "after", "sentence"),
    [
        ("[setups.hammer]", "[setups.hamer]", "setups.hamer: there is no setup 'hamer'"),
        ("drive_min = 1.2", "drive_mn = 1.2", "setups.doji_pause.drive_mn: there is no such setting; did you mean dri"),
        ("on = false", "on = 3", "groups.shares.setups.hammer.on: must be true or false, not 3"),
        ("drive_min = 1.5", "drive_min = -1", "groups.shares.setups.doji_pause.drive_min: must be at least 0"),
    ],
)
def test_a_mistake_in_a_setup_names_its_table(loaded: Loader, before: str, after: str, sentence: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(sentence)):
        loaded(FULL.replace(before, after))


def test_rules_of_a_group_are_held_against_all_rules(loaded: Loader) -> None:
    text = FULL.replace("average_rise = 14", "fast_average = 200")
    with pytest.raises(SettingsError, match=r"groups\.shares\.rules: fast_average \(200\) must be shorter than slow"):
        loaded(text)


def test_a_split_counts_from_its_day_at_the_exchange(loaded: Loader) -> None:
    first, second = loaded(FULL).of("HARBOUR").adjustments
    sessions = calendar_named("XNYS").of_years(2026, 2026)
    # Midnight in New York in June is 04:00 UTC.
    assert first.time == 1_781_496_000 * 10**9
    assert first.time in sessions.midnight
    assert (first.ratio, second.ratio) == (Fraction(2), Fraction(1, 3))
    assert second.time == 1_799_055_000 * 10**9


def test_stored_bars_are_adjusted_for_the_splits_that_they_reach(loaded: Loader) -> None:
    harbour = loaded(FULL).of("HARBOUR")
    first, second = (split.time for split in harbour.adjustments)
    bars = Bars.of([(time, time + 1, 12.0, 12.0, 12.0, 12.0, 6.0) for time in (first - 9, first, second)])
    closes = [harbour.as_judged(harbour.base.name, bars[:count]).close.tolist() for count in (1, 2, 3)]
    assert closes == [[12], [6, 12], [18, 36, 12]]
    assert harbour.as_judged(harbour.base.name, bars).volume.tolist() == [4, 2, 6]
    assert harbour.as_judged("1w", bars) is bars


def test_paths_count_from_the_folder_of_the_file(loaded: Loader, tmp_path: Path) -> None:
    assert loaded(FULL).store_path == tmp_path / "closewatch.db"
    assert loaded('[station]\nstore = "/srv/x.db"').store_path == Path("/srv/x.db")
    assert loaded("").secrets_folder({}) is None
    assert loaded('[station]\nsecrets = "s"').secrets_folder({}) == tmp_path / "s"
    assert loaded('[station]\nsecrets = "s"').secrets_folder({"CLOSEWATCH_SECRETS": "/run/s"}) == Path("/run/s")


def test_the_environment_overrules_the_file(loaded: Loader) -> None:
    settings = loaded(
        FULL,
        {
            "CLOSEWATCH_STATION__ZONE": "Asia/Tokyo",
            "CLOSEWATCH_STATION__HEALTH_PORT": "9464",
            "CLOSEWATCH_ACCOUNT__FX": '{"USD": "0.92"}',
            "CLOSEWATCH_RULES__STOP_MARGIN": "0.2",
            "CLOSEWATCH_GROUPS__SHARES__RULES__AVERAGE_RISE": "16",
            "CLOSEWATCH_SETUPS__HAMMER__ON": "false",
            "CLOSEWATCH_SETUPS__DOJI_PAUSE__SOLID": "0.7",
            "CLOSEWATCH_DEFAULTS__CURRENCY": "EUR",
            # The names of tables are those of the file, in whatever letters.
            "CLOSEWATCH_INSTRUMENTS__HARBOUR__TIMEFRAMES": '["4h"]',
            "CLOSEWATCH_INSTRUMENTS__MILL_2__STEP": "0.5",
            "HOME": "/nowhere",
            "CLOSEWATCH_OTHER": "not ours",
        },
    )
    harbour, mill = settings.watched()
    assert (settings.station.zone, settings.station.health_port) == ("Asia/Tokyo", 9464)
    assert settings.account.fx == {"USD": Decimal("0.92")}
    assert (harbour.rules.stop_margin, harbour.rules.average_rise) == (0.2, 16)
    assert numbers(mill)["doji_pause"]["solid"] == 0.7
    assert "hammer" not in numbers(mill)
    assert [each.name for each in harbour.timeframes] == ["4h"]
    assert mill.instrument.steps.at(Decimal(1)) == Decimal("0.5")
    assert mill.instrument.currency == "EUR"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("CLOSEWATCH_STATON__ZONE", "there is no table staton; did you mean station?"),
        ("CLOSEWATCH_INSTRUMENTS__HARBOR__STEP", r"there is no \[instruments.harbor\] in the file; did you mean HARB"),
        ("CLOSEWATCH_STATION__RECORD", "station.record: must be true or false"),
    ],
)
def test_an_override_of_nothing_is_refused(loaded: Loader, name: str, told: str) -> None:
    with pytest.raises(SettingsError, match=told):
        loaded(FULL, {name: "x"})


def quiet(start: str) -> str:
    return FULL + f'[quiet.screen]\nstart = {start}\nend = "07:00"\nzone = "Europe/Berlin"\n'


@pytest.mark.parametrize("start", ['"22:00"', "22:00:00"])
def test_a_time_of_day_is_a_text_or_one_of_the_format(loaded: Loader, start: str) -> None:
    assert loaded(quiet(start)).quiet["screen"].start == time(22)


@pytest.mark.parametrize("start", ["22", "22.5", "true", '"22"', '"22:00+02:00"', '"22:00Z"', "22:00:30", '"24:00"'])
def test_a_time_of_day_that_could_mean_something_else_is_refused(loaded: Loader, start: str) -> None:
    with pytest.raises(SettingsError, match=r"quiet\.screen\.start: must be a time of day such as 18:00"):
        loaded(quiet(start))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('group = "shares"', 'group = "shars"', 'instruments.HARBOUR.group: there is no group "shars"; did you mean s'),
        ('feed = "files"', 'feed = "fils"', 'defaults.feed: there is no feed "fils"; did you mean files?'),
        ("step = 0.01", "step = true", "defaults.step: must be text, in quotes, not true"),
        ("step = 0.01", "step = 0", "defaults.step: '0' is not a price step; write a number above 0"),
        ('"1D"', '"60m"', "groups.shares.timeframes: there is no timeframe '60m'; did you mean 1h?"),
        ('"2:1"', '"2:0"', 'must be new shares for old, such as "2:1", not "2:0"'),
        ('"XNYS"', '"xnys"', "groups.shares.calendar: there is no calendar 'xnys'; did you mean XNYS?"),
    ],
)
def test_the_first_mistake_is_a_sentence(loaded: Loader, old: str, new: str, told: str) -> None:
    assert old in FULL
    with pytest.raises(SettingsError) as problem:
        loaded(FULL.replace(old, new))
    assert told in str(problem.value)
    assert str(problem.value).endswith("explains all")


def test_what_is_given_nowhere_is_named(loaded: Loader) -> None:
    settings = loaded('[instruments.A]\ntimeframes = ["1d"]')
    with pytest.raises(ValueError, match=r"instruments\.A: step is missing there, in its group and in the def"):
        settings.of("A")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (FULL.partition("[instruments.")[0], "x.toml: there is nothing to watch; add a table [instruments.NAME]; `clo"),
        (
            FULL.replace('feed = "files"', ""),
            "instruments.HARBOUR: has no feed, nor has its group or [defaults]; add feed = ",
        ),
        (FULL.replace("step = 0.01", ""), "instruments.HARBOUR: has no step, nor has its group or [defaults]; add ste"),
        (
            FULL.replace('"15m", "1D"]', '"1D"]\nbase = "2h"'),
            'groups.shares.base: 1h bars cannot be made of 2h bars; set base = "1h"',
        ),
    ],
)
def test_what_cannot_be_watched_is_refused_to_the_watcher_and_may_tell_of_files(
    tmp_path: Path, text: str, told: str
) -> None:
    path = tmp_path / "x.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as problem:
        load(path, {}, to_watch=True)
    assert told in str(problem.value)
    assert load(path, {}).feeds
