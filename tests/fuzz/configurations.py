"""Odd configurations, each through what ``closewatch check`` does, and through what a station does with it."""

from __future__ import annotations

import io
import os
import re
from contextlib import redirect_stdout
from dataclasses import dataclass
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING

from scanner.commands.station import check
from scanner.commands.trouble import DONE, UNUSABLE
from scanner.configuration.model.environment import variable
from scanner.configuration.model.settings import Settings, SettingsError, load
from tests.fuzz.oddities import TEXTS, mutate_bytes, recoded
from tests.fuzz.onward import Found

if TYPE_CHECKING:
    from random import Random

COUNT = 20_000
WHAT = "configurations"
NOW = 1_772_467_200_000_000_000
ROOT = Path(__file__).parents[2]
GOOD = [path.read_text() for path in sorted((ROOT / "config").glob("*.toml"))]
GOOD.append((ROOT / "tests/configuration/every_mistake.toml").read_text())
SECRET = "kittiwake-nest-0714"  # noqa: S105 - invented, and looked for in all output
# fmt: off
ODD = (
    "0", "-0", "-1", "1e400", "-inf", "nan", "1e-400", "0xffff_ffff_ffff_ffff", "9223372036854775808", "9" * 400,
    "9" * 5_000, "1_000", "1.0e+308", "true", "false", "[]", "{}", "[[]]", '[""]', "[1, 'a', {}]", "{ a = {} }",
    "1979-05-27", "9999-12-31", "0001-01-01", "07:32:00", "23:59:60", "24:00:00", "1979-05-27T07:32:00-23:59",
    "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", '""', '"""\n"""', "'''\na'''", '"\\u0000"',
    '"\\U0010ffff"', '"2:1"', '"0:0"', '"1:0"', '"²:1"', f'"{"9" * 5_000}:1"', '"eu_shares:1e5"',
    f'"eu_shares:{"9" * 5_000}"', '"1e-999999"', '"1e999999"', '"NaN"', '"sNaN"', '"XNYS"', '"24/7"', '"none"',
    '"1m"', '"60m"', '"٣m"', '["1m", "1w"]', '["15m", "15m"]', "[{ date = 2024-06-12, ratio = '2:1' }]",
    "[{ date = '9999-12-31T23:59:59-23:59', ratio = '1:1' }]", '"Europe/Berlin"', '"../.."', '"/dev/null"', '"/"',
    '"-"', '"a\\u0000b"', '"{symbol}"', '"{}"', '"{0}"', '"{symbol.x}"', '"{a!r:{b}}"', '"{"', '"a[?b > `1`]"',
    '"a["', '"@"', '"http://["', '"https://u:p@h/?token=x"', '"wss://"', '"ws://[::1]:99999"', '"%(a"',
)
"""Values as written in a file."""
# fmt: on
KEYS = sorted({key for text in GOOD for key in re.findall(r"^\s*([\w.]+) =", text, re.MULTILINE)})
LINE = re.compile(r"^(\s*)([\w.\"-]+)(\s*=\s*)(.*)$")


def fields() -> list[str]:
    """Give the names of all settings of the service and of what is installed."""
    names = {
        key
        for field in Settings.model_fields
        for key in getattr(Settings.model_fields[field].annotation, "model_fields", ())
    }
    for group in ("closewatch.feeds", "closewatch.sinks"):
        for each in entry_points(group=group):
            names |= set(each.load().Settings.model_fields)
    return sorted(names | {*KEYS, *Settings.model_fields, "type"})


@dataclass(frozen=True)
class Checked:
    """A path, and the variables of the environment."""

    path: Path
    environ: dict[str, str]

    def __str__(self) -> str:
        """Also show the file."""
        content = self.path.read_bytes() if self.path.is_file() else b"(no regular file)"
        return f"{self.path}\n{self.environ}\n{content.decode(errors='backslashreplace')}"

    def run(self) -> Found:
        found, said = Found(), io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n")
        code = UNUSABLE
        try:
            with redirect_stdout(said):
                code = check.run(self.path, self.environ, NOW, connect=False)
            if code == UNUSABLE:
                for line in filter(None, told(said).split("\n")):
                    found.refuse(line)
        except Exception as problem:  # noqa: BLE001 - raised again unless it is foreseen
            self._refused(problem, found)
        try:
            load(self.path, self.environ, to_watch=True)
        except SettingsError as problem:
            self._refused(problem, found)
            if code == DONE:
                raise AssertionError("what check calls usable cannot be watched") from problem
        if SECRET in told(said) or any(SECRET in each for each in found.sentences):
            raise AssertionError("a secret is told")
        found.bars = int(code == DONE)
        return found

    @staticmethod
    def _refused(problem: Exception, found: Found) -> None:
        """Record the one sentence of the command; anything else is a defect."""
        if not isinstance(problem, OSError) and getattr(problem, "exit_code", None) != UNUSABLE:
            raise problem
        found.refuse(str(problem).encode(errors="backslashreplace").decode())  # as it goes to stderr


def told(said: io.TextIOWrapper) -> str:
    """Give what was written."""
    said.seek(0)
    return said.read()


def make(random: Random, folder: Path) -> Checked:
    """Make one case."""
    path = folder / "watch.toml"
    if random.random() < 0.01:
        return Checked(no_file(random, path), {})
    lines = random.choice(GOOD).split("\n")
    for _ in range(random.choice((0, 1, 1, 1, 2, 3, 8))):
        change(random, lines)
    content = "\n".join(lines).encode("utf-8", "surrogatepass")
    for _ in range(random.choice((0,) * 12 + (1, 2))):
        content = mutate_bytes(random, content)
    path.write_bytes(recoded(random, content) if random.random() < 0.01 else content)
    environ = {}
    for _ in range(random.choice((0, 0, 0, 1, 3))):
        environ[name_in_environment(random, lines)] = value_in_environment(random)
    if random.random() < 0.1:
        secrets = folder / "secrets"
        secrets.mkdir()
        for name in random.sample(SECRETS, 3):
            (secrets / name).write_bytes(
                random.choice((SECRET.encode(), b"", b"\xff\xfe", b"a\nb", b"\x00", b"[1]", b"{"))
            )
        environ["CLOSEWATCH_SECRETS"] = random.choice((str(secrets), str(path), "", "nowhere", "a\x00b"[:1]))
    return Checked(path, environ)


SECRETS = (
    "feeds.provider.secret_headers.Authorization",
    "feeds.stream.secret_query.apiKey",
    "feeds.gateway.password",
    "feeds.gateway.password.a.b",
    "sinks.mail.password",
    "sinks.mail.",
    "sinks.hook.secret",
    "sinks.phone.urls",
    "sinks",
    "feeds.nowhere.x",
)


def no_file(random: Random, path: Path) -> Path:
    """Give a path at which no file can be read, or one with an odd name."""
    match random.randrange(8):
        case 0:
            os.mkfifo(path)
        case 1:
            path.mkdir()
        case 2:
            path.symlink_to(path)
        case 3:
            return path / "inside" / "nothing"
        case 4:
            path.write_bytes(b"")
            return path / "inside"
        case 5:
            return path.with_name("x" * 300)
        case 6:
            path = path.with_name("a\udcffb.toml")  # a name that is not UTF-8
            path.write_text("[station]\nzone = 1\n" * random.randrange(2))
        case _:
            return Path(random.choice(("/dev/null", "/dev/full", "/proc/self/mem", ".", "/")))
    return path


def change(random: Random, lines: list[str]) -> None:
    """Change one line of a configuration, or insert another."""
    at = random.randrange(len(lines))
    told = [place for place, line in enumerate(lines) if LINE.match(line)]
    setting = random.choice(told) if told else at
    parts = LINE.match(lines[setting])
    indent, key, equals, value = parts.groups() if parts else ("", "a", " = ", "1")
    match random.randrange(13):
        case 0 | 1 | 2 | 3:
            lines[setting] = indent + key + equals + odd(random)
        case 4:
            lines[setting] = (
                indent
                + random.choice((random.choice(FIELDS), key + "s", key.upper(), key[:-1] or '""'))
                + equals
                + value
            )
        case 5 | 6:
            lines.insert(setting, f"{random.choice(FIELDS)} = {odd(random)}")
        case 7:
            lines[setting] = f"{key}.{random.choice(FIELDS)} = {odd(random)}"
        case 8:
            del lines[at]
        case 9:
            other = random.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        case 10:
            lines.insert(random.randrange(len(lines)), lines[at])
        case 11:
            lines.insert(at, heading(random))
        case _:
            lines[at] = mutate_bytes(random, lines[at].encode("utf-8", "surrogatepass")).decode("utf-8", "replace")


def odd(random: Random) -> str:
    """Give a value as written in a file."""
    sort = random.random()
    if sort < 0.5:
        return random.choice(ODD)
    if sort < 0.65:
        return '"' + re.sub(r'[\\"\x00-\x1f\x7f\ud800-\udfff]', "?", random.choice(TEXTS)) + '"'
    if sort < 0.7:
        depth = random.choice((2,) * 12 + (30, 300, 950, 5_000))
        begin, end = random.choice((("[", "]"), ("{a = ", "}"), ("[{a = ", "}]")))
        return begin * depth + "1" + end * depth
    if sort < 0.85:
        return f"[{odd(random)}, {odd(random)}]"
    return f"{{ {random.choice(FIELDS)} = {odd(random)} }}"


def heading(random: Random) -> str:
    """Give the heading of a table, perhaps with a setting in it."""
    parts = [random.choice((*Settings.model_fields, *FIELDS)) for _ in range(random.choice((1, 2, 2, 3)))]
    name = random.choice(
        (
            ".".join(parts),
            ".".join("a" * random.choice((3, 3, 3, 500, 3_000))),
            '""',
            '"\\u0000"',
            "instruments.HARBOUR",
        )
    )
    return random.choice((f"[{name}]", f"[[{name}]]", f"[{name}]\n{random.choice(FIELDS)} = {odd(random)}"))


def name_in_environment(random: Random, lines: list[str]) -> str:
    """Give the name of a variable for a setting that may exist."""
    tables = [found[1].split(".") for line in lines if (found := re.match(r"\[+([\w.]+)\]", line))]
    path = [*random.choice([*tables, ["station"]]), *random.choices(FIELDS, k=random.choice((0, 1, 1, 1, 2)))]
    return random.choice(
        (variable(*path), variable(*path), "CLOSEWATCH_", "CLOSEWATCH___", variable(*path) + "__", "CLOSEWATCH_STATION")
    )


def value_in_environment(random: Random) -> str:
    """Give the value of a variable."""
    nest = random.choice((3,) * 20 + (900, 20_000))
    return random.choice(
        (random.choice(TEXTS), random.choice(ODD).strip('"'), "[1]", '{"a": 1}', "[" * nest, "[" * nest + "]" * nest)
    )


FIELDS: list[str] = fields()


def warm_up() -> None:
    """Load the calendars and all else that the first case needs."""
    with redirect_stdout(io.StringIO()):
        for path in sorted((ROOT / "config").glob("*.toml")):
            check.run(path, {}, NOW, connect=False)
