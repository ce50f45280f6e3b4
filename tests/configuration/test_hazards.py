"""What can be used and is likely to hurt: told by the check, in the status, and where nothing else tells it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.clocks import DAY
from scanner.commands.station import check as command
from scanner.configuration.check import check
from scanner.configuration.hazards import hazards
from scanner.configuration.model.settings import SettingsError, load
from scanner.market.costs import Cost, Costs
from tests.configuration.examples import EXAMPLE

if TYPE_CHECKING:
    from pathlib import Path

NOW = int(datetime(2026, 6, 12, 18, tzinfo=UTC).timestamp()) * 10**9
TEXT = """\
[account]
equity = 50000
currency = "USD"
risk_fraction = {risk}
[surroundings]
{surroundings}
[feeds.files]
type = "folder"
path = "."
[defaults]
feed = "files"
timeframes = ["1d"]
step = 1
currency = "USD"
costs = {{ {costs} }}
[groups.shares]
costs = {{ commission = 0.00001 }}
[instruments.A]
group = "shares"
[instruments.B]
costs = {{ spread = "0.05 %" }}
"""


def written(tmp_path: Path, *, risk: str = "0.01", surroundings: str = "", costs: str = 'spread = "0.02"') -> Path:
    path = tmp_path / "x.toml"
    path.write_text(TEXT.format(risk=risk, surroundings=surroundings, costs=costs), encoding="utf-8")
    return path


def told(tmp_path: Path, **changes: str) -> list[str]:
    return [each.sentence for each in hazards(load(written(tmp_path, **changes), {}), NOW)]


def test_much_at_risk_is_reported_with_the_sum(tmp_path: Path) -> None:
    assert told(tmp_path) == []
    (only,) = told(tmp_path, risk="0.03")
    assert only == (
        "account.risk_fraction: one trade may lose 3 % of the equity, 1500.00 USD; above 2 %, a few losses in a row "
        "weigh heavily"
    )


def test_the_check_prints_it_with_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, risk="0.03")
    assert command.run(path, {}, NOW, connect=False) == 0
    assert capsys.readouterr().out.startswith(f"{path}:4: warning: account.risk_fraction: one trade may lose 3 %")


def test_rates_whose_day_is_still_to_come_are_reported(tmp_path: Path) -> None:
    path, today = tmp_path / "x.toml", datetime.fromtimestamp(NOW / 1e9, UTC).date()
    for ahead in (0, 1, 2):
        day = today + timedelta(days=ahead)
        path.write_text(f"[account]\ncurrency = 'USD'\nfx_date = {day}\n[account.fx]\nEUR = 1.08\n")
        expected = [f"account.fx_date: {day} is still to come; give the day of the rates in fx"] * (ahead == 2)
        assert [each.sentence for each in hazards(load(path, {}), NOW)] == expected


def test_positions_that_cannot_be_left_at_the_close_are_named(tmp_path: Path) -> None:
    told = "follow.flat_by_close: the sessions of A are unknown, so positions there stay open at the close; "
    for calendar, expected in (("none", [f"{told}give a calendar"]), ("XNYS", [])):
        path = tmp_path / "x.toml"
        path.write_text(
            f"""
            follow = {{ flat_by_close = true }}
            defaults = {{ calendar = "{calendar}" }}
            instruments = {{ A = {{ timeframes = ["1h", "1d"] }}, DAILY = {{ timeframes = ["1d"] }} }}
            """
        )
        assert [each.sentence for each in hazards(load(path, {}), NOW)] == expected


def test_too_much_at_risk_is_refused(tmp_path: Path) -> None:
    checked = check(written(tmp_path, risk="1"), {})
    (only,) = checked.sentences()
    assert only == (
        f"{checked.path}:4: account.risk_fraction: one trade may lose at most 0.10 of the equity, not 1; write "
        "1 % as 0.01"
    )


@pytest.mark.parametrize(
    ("rows", "sentences"),
    [
        ("2026-06-13,A,x", []),
        ("2026-06-12,shares,x", []),
        ("2026-06-11,all,x", ["{}: its last date, 2026-06-11, has passed; add the next ones"]),
        ("", ["{}: it contains no dates; add the next ones"]),
        (
            "2026-06-13,C,x\n2026-06-13,shars,x\n2026-06-14,C,x",
            ["{}: there is no instrument or group C, shars; correct or remove the lines"],
        ),
        (
            "2026-06-13,A,x\n" + 5 * "soon,A,x\n",
            [
                *(
                    f'{{}}: line {line} has the time "soon"; write a day as 2026-06-12, or a moment as '
                    "2026-06-12T14:30; it is left out"
                    for line in (3, 4, 5)
                ),
                "{}: 2 more lines are left out",
            ],
        ),
    ],
)
def test_dates_that_cannot_be_relied_on_are_reported(rows: str, sentences: list[str], tmp_path: Path) -> None:
    dates = tmp_path / "dates.csv"
    dates.write_text(f"time,instrument,what\n{rows}\n", encoding="utf-8")
    found = told(tmp_path, surroundings='dates = "dates.csv"')
    assert found == [f"surroundings.dates: {each.format(dates)}" for each in sentences]


def test_the_example_has_dates_that_can_be_read() -> None:
    settings = load(EXAMPLE, {})
    assert [each.what for each in settings.dates.of("MILL", "shares") or ()] == [
        "annual report",
        "see that this file is still up to date",
    ]
    assert list(hazards(settings, NOW + 150 * DAY)) == []


def test_a_missing_file_of_dates_is_reported_and_the_configuration_is_used_without(tmp_path: Path) -> None:
    settings = load(written(tmp_path, surroundings='dates = "none.csv"'), {}, to_watch=True)
    (only,) = hazards(settings, NOW)
    path = tmp_path / "none.csv"
    assert only.text == f"{path} cannot be read (No such file or directory); no dates are known"
    assert settings.dates.of("A", "shares") is None


def test_a_split_that_is_still_to_come_is_told_by_the_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    splits = (
        "[instruments.A]\ncalendar = 'XNYS'\n"
        "adjustments = [{ date = 2026-03-02, ratio = '2:1' }, { date = 2028-03-02, ratio = '3:1' }]"
    )
    path = tmp_path / "x.toml"
    path.write_text(written(tmp_path).read_text().replace("[instruments.A]", splits))
    assert list(hazards(load(path, {}), NOW)) == []
    assert command.run(path, {}, NOW, connect=False) == 0
    told_of = "a split of 3:1 takes effect with the first bar from Thu 2 Mar 2028 05:00 UTC (00:00 New York) on."
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if "a split of" in line] == [f"A: {told_of}"]


def test_each_cost_is_that_of_the_instrument_else_of_its_group_else_of_the_defaults(tmp_path: Path) -> None:
    first, second = load(written(tmp_path, costs='spread = "0.02", commission = "1 USD"'), {}).watched()
    assert first.instrument.costs == Costs(Cost(Decimal("0.02")), Cost(Decimal("0.00001")), None)
    assert second.instrument.costs == Costs(Cost(Decimal("0.05"), "%"), Cost(Decimal(1), "USD"), None)


@pytest.mark.parametrize(
    ("costs", "line", "sentence"),
    [
        (
            'spread = "2 cents"',
            15,
            'defaults.costs.spread: must be a price such as "0.02", per cent of the price such as "0.05 %", or money f',
        ),
        ("spred = 1", 15, "defaults.costs.spred: there is no such setting; did you mean spread?"),
        (
            "slippage = -1",
            15,
            'defaults.costs.slippage: must be a price such as "0.02", per cent of the price such as "',
        ),
        (
            "spread = { amount = -1 }",
            15,
            'defaults.costs.spread: must be a price such as "0.02", per cent of the price such as "',
        ),
        (
            'slippage = "1 EUR"',
            18,
            "instruments.A.costs.slippage: is in EUR, but its prices are in USD; write it in USD",
        ),
    ],
)
def test_costs_that_cannot_be_used_are_reported_with_their_line(
    costs: str, line: int, sentence: str, tmp_path: Path
) -> None:
    path = written(tmp_path, costs=costs)
    assert check(path, {}).sentences()[0].startswith(f"{path}:{line}: {sentence}")
    with pytest.raises(SettingsError) as problem:
        load(path, {})
    assert sentence in str(problem.value)


def test_costs_are_not_blamed_for_a_currency_that_is_wrong(tmp_path: Path) -> None:
    path = written(tmp_path, costs='slippage = "1 EUR"')
    path.write_text(
        path.read_text(encoding="utf-8").replace('step = 1\ncurrency = "USD"', 'step = 1\ncurrency = "EURO"')
    )
    assert [each.path for each in check(path, {}).mistakes] == [("defaults", "currency")]


def test_the_surroundings_are_read_from_their_table(tmp_path: Path) -> None:
    settings = load(written(tmp_path, surroundings='require = ["dates"]\nmin_turnover = 1e6'), {})
    assert (settings.surroundings.require, settings.surroundings.min_turnover) == (("dates",), 1e6)
    (only,) = check(written(tmp_path, surroundings='require = ["luck"]'), {}).mistakes
    assert only.sentence.startswith("surroundings.require: must be trend, coarser, volatility, room, cost, liquid, ho")
