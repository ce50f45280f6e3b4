"""What a check warns of: what can be used, and is hardly meant."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.configuration.check import check
from scanner.trade.size import size

if TYPE_CHECKING:
    from pathlib import Path

NO_RATE = (
    "4: warning: account.fx: there is no rate for JPY, the currency of B, and no size can be given without one; "
    "add what 1 JPY is worth in USD: fx = { JPY = … }"
)
NO_CURRENCY = [
    f"1: warning: account: no size can be given for {name}: the prices are in {currency}, and the currency of the "
    'equity is not given; add currency = "…"'
    for name, currency in (("A", "USD"), ("B", "JPY"))
]
NO_PRICES = (
    "16: warning: instruments.C: no size can be given for C: the equity is in USD, and the currency of the prices is "
    'not given; add currency = "…"'
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
        ('currency = "USD"\nfx = { GBP = 1.2 }', [NO_RATE, NO_PRICES]),
        ('currency = "USD"\nfx = { JPY = 0.0061 }', [NO_PRICES]),
        ("", NO_CURRENCY),
        ("fx = { JPY = 0.0061 }", NO_CURRENCY[:1]),
    ],
)
def test_a_currency_without_a_rate_is_reported_before_a_setup_comes_without_a_size(
    account: str, told: list[str], tmp_path: Path
) -> None:
    config = tmp_path / "x.toml"
    config.write_text(MONEY.format(account=account), encoding="utf-8")
    checked = check(config, {})
    assert checked.sentences() == [f"{config}:{each}" for each in told]
    assert checked.settings is not None
    sized = {
        each.instrument.symbol: size(checked.settings.account, each.instrument, Decimal(100), Decimal(1))[0]
        for each in checked.settings.watched()
    }
    for name, amount in sized.items():
        assert (amount is None) == any(f"for {name}:" in each or f"of {name}," in each for each in told)


def test_a_currency_that_is_wrong_is_not_called_missing(tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    config.write_text(MONEY.format(account='currency = "euro"'), encoding="utf-8")
    (mistake,) = check(config, {}).sentences()
    assert mistake.startswith(f"{config}:3: account.currency: must be three capital letters")


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
UNTOLD = "no route takes setup.qualified of {}; such setups will not be reported: check kinds, groups and timeframes"
ONE_WAY = "no route takes setup.qualified of {} in the direction {}; such setups will not be reported: check directions"
UNHEARD = (
    "a route takes setup.qualified of {}, but none takes {}; if you act on a setup, you need to know how it goes on: "
    "add {} to the kinds of that route"
)
ENDINGS = ["setup.closed", "setup.lapsed", "setup.spoiled", "setup.broken_off"]
FOLLOWS = ["setup.withdrawn", "setup.entered", "setup.stop_raised", "setup.exit_signal", *ENDINGS]
"""What a user who acts on a setup needs to know; a single sign of pressure is not included."""


def unheard(whose: str, kinds: list[str] = FOLLOWS) -> str:
    return UNHEARD.format(whose, ", ".join(kinds), "it" if len(kinds) == 1 else "them")


TAKES_ALL = f"kinds = {FOLLOWS}"
UNSEEN = "no route takes feed.late, so a silent feed would go unnoticed: add it to the kinds of a route"


@pytest.mark.parametrize(
    ("routes", "told"),
    [
        ([], []),
        (["least_evidence = 4"], []),
        (['kinds = ["setup.withdrawn"]'], [UNTOLD.format("any series"), UNSEEN]),
        (['groups = ["shares"]'], [UNTOLD.format("B 15m, B 1h, C 15m and 1 more")]),
        (['groups = ["shares"]\ntimeframes = ["1h"]', 'groups = ["goods"]'], [UNTOLD.format("A 15m, C 15m, C 1h")]),
        (
            ['kinds = ["setup.qualified"]\ndirections = ["long"]'],
            [ONE_WAY.format("any series", "short"), unheard("any series"), UNSEEN],
        ),
        (
            ['kinds = ["setup.qualified"]', 'kinds = ["feed.late"]\ntimeframes = ["15m"]'],
            [unheard("any series")],
        ),
        (['directions = ["long"]', 'directions = ["short"]\nleast_evidence = 10'], []),
        (
            ['directions = ["short"]', 'timeframes = ["1h"]'],
            [ONE_WAY.format("A 15m, B 15m, C 15m", "long")],
        ),
        (
            ['kinds = ["setup.qualified", "feed.late"]', f'{TAKES_ALL}\ngroups = ["shares"]'],
            [unheard("B 15m, B 1h, C 15m and 1 more")],
        ),
        (
            ['kinds = ["setup.qualified", "feed.late"]', f'{TAKES_ALL}\ndirections = ["short"]'],
            [unheard("any series")],
        ),
        (
            ['kinds = ["setup.qualified", "feed.late"]', f"{TAKES_ALL}\nleast_evidence = 4"],
            [unheard("any series")],
        ),
        (["least_evidence = 4", f"{TAKES_ALL}\nleast_evidence = 3"], []),
        ([f"kinds = {['setup.qualified', 'feed.late', *FOLLOWS]}"], []),
        (
            [f"kinds = {['setup.qualified', 'feed.late', *FOLLOWS[:-1]]}"],
            [unheard("any series", ["setup.broken_off"])],
        ),
        (
            [
                'kinds = ["setup.qualified", "setup.withdrawn", "setup.entered", "setup.stop_raised", "feed.late"]',
                'kinds = ["setup.exit_signal"]',
                f'groups = ["shares"]\nkinds = {ENDINGS}',
                'timeframes = ["1h"]\nkinds = ["setup.lapsed", "setup.spoiled"]',
            ],
            [
                unheard("B 15m, C 15m", ENDINGS),
                unheard("B 1h, C 1h", ["setup.closed", "setup.broken_off"]),
            ],
        ),
    ],
)
def test_what_reaches_no_sink_is_reported_once_and_by_name(routes: list[str], told: list[str], tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    text = "\n".join(f'[[routes]]\nsinks = ["screen"]\n{each}' for each in routes)
    config.write_text(ROUTED.format(routes=text), encoding="utf-8")
    checked = check(config, {})
    assert checked.settings is not None
    assert checked.sentences() == [f"{config}:6: warning: routes: {each}" for each in told]


@pytest.mark.parametrize(
    ("added", "whose"),
    [
        ("[setups.doji_pause]\non = false", "any instrument"),
        ("[setups.doji_pause]\non = false\n[setups.hammer]", None),
        ("[instruments.A.setups.doji_pause]\non = false", "A"),
    ],
)
def test_an_instrument_for_which_every_setup_is_off_is_named(added: str, whose: str | None, tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    config.write_text(ROUTED.format(routes=f"{ALL}{added}"), encoding="utf-8")
    text = f"no setup is on for {whose}, so nothing will be found there; take out on = false, or add a setup"
    found = [each.partition("warning: ")[2] for each in check(config, {}).sentences()]
    assert found == ([] if whose is None else [f"setups: {text}"])


UNNAMED = (
    "6: warning: setups: no route names setup.forming of {}, and it is sent only if one does: add it to the kinds of a "
    "route"
)
UNSAID = (
    "12: warning: routes.kinds: names setup.forming, which is off for every setup: "
    "add forming = true to the table of one"
)
NEVER = "7: setups.hammer.forming: the hammer cannot be announced before its last bar; leave forming out"
ALL, NAMED = "[[routes]]\nsinks = ['screen']\n", "[[routes]]\nsinks = ['screen']\nkinds = ['setup.forming']\n"


@pytest.mark.parametrize(
    ("setup", "forming", "routes", "told"),
    [
        ("doji_pause", "true", "", [UNNAMED.format("any series") + ", and add a route without kinds for all others"]),
        ("doji_pause", "true", ALL, [UNNAMED.format("any series")]),
        ("doji_pause", "true", f"{ALL}{NAMED}timeframes = ['1h']", [UNNAMED.format("A 15m, B 15m, C 15m")]),
        ("doji_pause", "true", ALL + NAMED, []),
        ("doji_pause", "false", ALL + NAMED, [UNSAID]),
        ("hammer", "true", "", [NEVER]),
        ("doji_pause", "3", "", ["7: setups.doji_pause.forming: must be true or false, not 3"]),
    ],
)
def test_announcements_one_bar_ahead_need_a_route(
    setup: str, forming: str, routes: str, told: list[str], tmp_path: Path
) -> None:
    config = tmp_path / "x.toml"
    text = f"[setups.{setup}]\nforming = {forming}\n{routes}"
    config.write_text(ROUTED.replace("{routes}", text), encoding="utf-8")
    assert check(config, {}).sentences() == [f"{config}:{each}" for each in told]


def test_secrets_and_a_store_that_every_user_can_read_are_warned_of(tmp_path: Path) -> None:
    config, secrets = tmp_path / "x.toml", tmp_path / "secret files"
    secrets.mkdir()
    config.write_text(
        '[station]\nsecrets = "secret files"\n[sinks.hook]\ntype = "webhook"\n'
        '[feeds.files]\ntype = "folder"\npath = "."\n'
        '[instruments.A]\nfeed = "files"\ntimeframes = ["1d"]\nstep = 1\n',
        encoding="utf-8",
    )
    (secrets / "sinks.hook.url").write_text("https://hook.example.org/token\n", encoding="utf-8")
    (secrets / "README").write_text("not a secret", encoding="utf-8")
    store = tmp_path / "closewatch.db"
    store.touch()

    def told(mode: int) -> list[str]:
        for file in (secrets / "sinks.hook.url", secrets / "README", store):
            file.chmod(mode)
        checked = check(config, {})
        assert checked.settings is not None
        return [each for each in checked.sentences() if "every user" in each]

    tmp_path.chmod(0o755)
    secrets.chmod(0o755)
    assert told(0o640) == told(0o600) == []
    assert told(0o644) == [
        f"warning: the file {file}: every user of this machine can read it; run: chmod 600 {written}"
        for file, written in ((secrets / "sinks.hook.url", f"'{secrets / 'sinks.hook.url'}'"), (store, store))
    ]
    secrets.chmod(0o700)
    tmp_path.chmod(0o700)
    assert told(0o644) == []
