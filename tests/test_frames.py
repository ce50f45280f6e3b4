"""Setups from Python: whatever a frame looks like, what comes is what the commands say of the same bars."""

from __future__ import annotations

import doctest
import json
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

import scanner
from scanner import frames
from scanner.store.upkeep.event_columns import columns_of
from tests.commands.typed import closewatch
from tests.laws import real_series

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SERIES = ("AAPL", "IBM", "MSFT")


def frame_of(name: str) -> pd.DataFrame:
    """Give a real series as a table with an index of days."""
    bars = real_series(name)
    columns = {key.title(): getattr(bars, key) for key in ("open", "high", "low", "close", "volume")}
    return pd.DataFrame(columns, index=pd.to_datetime(bars.open_time).rename("Date"))


@pytest.fixture(scope="module")
def together() -> pd.DataFrame:
    """Put the real series into one table."""
    return pd.concat([frame_of(name).assign(Symbol=name) for name in SERIES])


@pytest.fixture(scope="module")
def found(together: pd.DataFrame) -> pd.DataFrame:
    with pytest.warns(
        UserWarning,
        match=r"^(AAPL|MSFT): \d rows? \(\d price jump\) noted; put on hold [12] times?, as after a split$",
    ):
        return scanner.find_setups(together)


CONFIGURED = """
[account]
equity = "25000"
currency = "EUR"
max_notional = "4000"
[account.fx]
USD = "0.9137"
[rules]
place_quality = "plain"
[follow]
half_at = 1
[setups.false_break]
[setups.hammer]
[setups.inside_bar]
[setups.first_touch]
[surroundings]
require = []
[feeds.tape]
type = "folder"
path = "."
[defaults]
feed = "tape"
calendar = "none"
timeframes = ["1d"]
step = "0.01"
costs = { spread = "0.08 %", commission = "0.0123" }
[groups.deep]
rules = { entry_style = "average" }
[instruments.AAPL]
currency = "USD"
[instruments.IBM]
group = "deep"
currency = "EUR"
lot_step = "3"
[instruments.MSFT]
currency = "USD"
point_value = "7"
"""


def in_sevenths(frame: pd.DataFrame) -> pd.DataFrame:
    """Adjust prices so that they have as many digits as a float can tell apart."""
    return frame.assign(**{name: frame[name] / 7.0 for name in ("Open", "High", "Low", "Close")})


@pytest.mark.filterwarnings("ignore:(AAPL|MSFT)")
@pytest.mark.parametrize(
    ("written", "options", "config", "sized"),
    [(pd.DataFrame, {"step": "0.05"}, "", 0), (pd.DataFrame, {}, CONFIGURED, 50), (in_sevenths, {}, "", 0)],
    ids=["with a step", "with an account and costs", "of many digits"],
)
def test_the_setups_are_those_of_a_replay_of_the_same_bars(
    written: Callable[[pd.DataFrame], pd.DataFrame],
    options: dict[str, Any],
    config: str,
    sized: int,
    together: pd.DataFrame,
    tmp_path: Path,
) -> None:
    frame, path = written(together), tmp_path / "watch.toml"
    path.write_text(config, encoding="utf-8")
    found = scanner.find_setups(frame, config=path if config else None, **options)
    frame.to_csv(tmp_path / "bars.csv")
    told = [*(("--config", path) if config else ()), *(part for key in options for part in (f"--{key}", options[key]))]
    assert closewatch("replay", tmp_path / "bars.csv", "--events", tmp_path / "events.jsonl", *told).code == 0
    events = [json.loads(line) for line in (tmp_path / "events.jsonl").read_text("utf-8").splitlines()]
    setups = {event["id"]: event["data"] for event in events if event["type"].endswith(("qualified", "set_aside"))}
    last = setups | {event["thread"]: event["data"] for event in events if event.get("thread") in setups}
    assert len(found) == len(setups) >= 4
    assert (found["size"] > 0).sum() >= sized
    for (_, row), (thread, data) in zip(found.iterrows(), setups.items(), strict=True):
        wanted = columns_of(data)
        for name in frames.OF_SETUP:
            own = row[name].value if isinstance(row[name], pd.Timestamp) else row[name]
            assert own == wanted[name] or (pd.isna(own) and wanted[name] is None), name
        came = last[thread]
        if came == data:  # no entry, so nothing to follow
            assert row[[*frames.CAME]].isna().all()
            continue
        assert row.state == came["state"]
        assert row.ended == pd.Timestamp(came["bar_close"])
        for name in ("entry", "exit", "r", "cost_r"):
            assert row[name] == float(came[name] or "nan") or (pd.isna(row[name]) and came[name] is None), name


def days_in_a_column(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.reset_index()


def in_german(frame: pd.DataFrame) -> pd.DataFrame:
    names = {"Open": "Eröffnung", "High": "Hoch", "Low": "Tief", "Close": "Schluss", "Volume": "Stück"}
    return frame.rename(columns=names).rename_axis("Datum")


def without_a_name(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.rename_axis(None).assign(note=np.array([{}] * len(frame), dtype=object))


def written_out(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.set_axis(pd.DatetimeIndex(frame.index).strftime("%Y-%m-%d")).rename_axis(None).astype(str)


def in_utc(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.tz_localize("UTC")


def in_berlin(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.tz_localize("Europe/Berlin")


def newest_first(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[::-1].rename(columns=str.upper)


def by_periods(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.to_period("D")


def as_decimals(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(Close=np.array([Decimal(repr(price)) for price in frame.Close.tolist()], dtype=object))


@pytest.mark.parametrize(
    "written",
    [
        *(days_in_a_column, in_german, without_a_name, written_out, in_utc, in_berlin, newest_first, by_periods),
        as_decimals,
    ],
)
def test_however_a_frame_is_written_its_setups_are_the_same(
    written: Callable[[pd.DataFrame], pd.DataFrame], found: pd.DataFrame
) -> None:
    one = scanner.find_setups(written(frame_of("IBM")).assign(ticker="IBM"))
    pd.testing.assert_frame_equal(one, found[found.instrument == "IBM"].reset_index(drop=True))


def test_times_without_a_zone_are_those_of_tz_and_the_frame_stays_as_it_was() -> None:
    walk = 100 + np.cumsum(np.random.default_rng(3).normal(0, 0.2, 6_000)).round(2)
    index = pd.date_range("2024-01-01", periods=6_000, freq="15min")
    named = pd.DataFrame({"o": walk, "h": walk + 0.2, "l": walk - 0.2, "c": walk}, index=index.tz_localize("UTC"))
    bare = named.tz_convert("Asia/Tokyo").tz_localize(None)
    before = bare.copy(deep=True)
    pd.testing.assert_frame_equal(scanner.find_setups(bare, tz="Asia/Tokyo"), scanner.find_setups(named))
    pd.testing.assert_frame_equal(bare, before, check_exact=True)


def test_a_bar_is_explained_and_drawn_as_the_commands_do(
    together: pd.DataFrame, found: pd.DataFrame, tmp_path: Path
) -> None:
    setup = found.iloc[0]
    day = f"{setup.bar_open:%Y-%m-%d}"
    told = scanner.explain_bar(together, day, instrument=setup.instrument)
    pd.testing.assert_frame_equal(told, scanner.explain_bar(together, setup.bar_open, instrument=setup.instrument))
    own = told[(told.setup == setup.setup) & (told.direction == setup.direction)]
    assert own[own.part == "rule"].holds.all()
    assert own[(own.part == "place") & (own.name == setup.place)].holds.all()
    together.to_csv(tmp_path / "bars.csv")
    asked = ("--at", day, "--instrument", setup.instrument)
    words = closewatch("explain", tmp_path / "bars.csv", *asked).out
    assert all(text in words for text in own.text)
    drawn = scanner.chart(together, day, instrument=setup.instrument)
    for name in ("ours.png", "ours.svg"):
        drawn.save(tmp_path / name)
    assert closewatch("chart", tmp_path / "bars.csv", *asked, "--out", tmp_path / "theirs.svg").code == 0
    assert (tmp_path / "ours.svg").read_bytes() == (tmp_path / "theirs.svg").read_bytes()
    assert drawn._repr_png_() == (tmp_path / "ours.png").read_bytes()


WRONG: dict[str, tuple[Callable[[pd.DataFrame], Any], str]] = {
    "no time": (lambda frame: frame.reset_index(drop=True), "frame: no column is named time; found"),
    "no close": (lambda frame: frame.drop(columns="Close"), "rename the column that it is"),
    "a column": (lambda frame: frame.Close, "the bars must be a DataFrame of pandas, not a Series of pandas"),
    "another table": (pa.table, "the bars must be a DataFrame of pandas, not a Table of pyarrow"),
    "in no order": (
        lambda frame: frame.sample(frac=1, random_state=1),
        "frame: the rows of 'frame' are not in order of time; sort them by time",
    ),
    "records": (lambda frame: frame.to_dict("records"), "the bars must be a DataFrame of pandas, not a list"),
    "no rows": (lambda frame: frame[:0], "frame: it has no rows; put bars in it"),
    "truths": (lambda frame: frame.assign(Low=True), "the low must be a number"),
    "a mixture": (
        lambda frame: frame.assign(Low=np.array([*frame.Low[1:], {}], dtype=object)),
        "holds values of several kinds",
    ),
    "swapped": (
        lambda frame: frame.rename(columns={"Open": "Close", "Close": "Open"}),
        "open and close seem to be swapped",
    ),
    "mostly refused": (lambda frame: frame.assign(High=0.0), "more than a fifth, so the rest is not used either"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_cannot_be_read_is_one_sentence(wrong: str) -> None:
    spoilt, sentence = WRONG[wrong]
    with pytest.raises(ValueError, match=r"^[^\n]*$") as told:
        scanner.find_setups(spoilt(frame_of("IBM")))
    assert sentence in str(told.value)
    assert "--" not in str(told.value)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"step": "much"}, "step takes a number above 0, not 'much'"),
        ({"stamp": "noon"}, 'stamp must be "open" or "close", not \'noon\''),
        ({"tz": "Nowhere"}, "tz: there is no time zone 'Nowhere'; give a name such as Europe/Berlin or UTC"),
        ({"timeframe": "1h"}, "frame: 1h bars cannot be made of 1d bars"),
        ({"config": "nowhere.toml"}, "nowhere.toml"),
    ],
)
def test_what_is_said_wrongly_is_one_sentence(options: dict[str, Any], sentence: str) -> None:
    for ask in (scanner.find_setups, lambda frame, **each: scanner.explain_bar(frame, "2001-03-01", **each)):
        with pytest.raises(ValueError, match=r"^[^\n]*$") as told:
            ask(frame_of("IBM"), **options)
        assert sentence in str(told.value)


def test_a_moment_of_numpy_or_in_a_zone_is_one_as_well_and_a_number_is_none() -> None:
    frame = frame_of("IBM")
    day = frame.index[300]
    told = scanner.explain_bar(frame, day)
    pd.testing.assert_frame_equal(scanner.explain_bar(frame, day.to_datetime64()), told)
    pd.testing.assert_frame_equal(scanner.explain_bar(in_berlin(frame), in_berlin(frame).index[300]), told)
    with pytest.raises(ValueError, match=r"^at noon: write a date such as"):
        scanner.explain_bar(frame, "noon")
    with pytest.raises(ValueError, match=r"^at must be a text, a date or a datetime, not 5$"):
        scanner.explain_bar(frame, 5)  # type: ignore[arg-type] # on purpose


def test_rows_that_are_refused_are_counted_and_a_bar_that_is_not_there_is_said() -> None:
    frame = frame_of("IBM")
    frame.loc[frame.index[5], "High"] = np.nan
    with pytest.warns(UserWarning, match=r"^frame: 1 row \(1 [a-z ]+\) refused$"):
        scanner.find_setups(frame)
    with pytest.raises(ValueError, match="frame has no bar at 1990-01-01; its bars run from 2000-03-01"):
        scanner.explain_bar(frame, "1990-01-01")


def test_a_study_of_the_same_frame_has_the_same_setups(together: pd.DataFrame, found: pd.DataFrame) -> None:
    with pytest.warns(UserWarning, match=r"rows read|series") as warned:
        trades = scanner.study(together).trades
    assert [str(each.message) for each in warned] == [
        "9,810 rows read, 4 noted (4 price jump): frame 4 noted",
        "2 series put on hold, 3 times in all, where a price jump may be a split: AAPL/1d, MSFT/1d",
    ]
    setups = trades[(trades.source == "setup") & trades.found]
    own, other = (
        {tuple(row) for row in table[list(names)].itertuples(index=False)}
        for table, names in (
            (found, ("instrument", "bar_close", "setup", "direction", "state", "ended", "planned_entry", "stop")),
            (
                setups,
                ("instrument", "found_at", "setup", "direction", "state", "ended_at", "planned_entry", "first_stop"),
            ),
        )
    )
    assert own == other


def test_the_examples_run() -> None:
    assert doctest.testmod(frames).failed == 0
