"""Everything that is wrong with a configuration, each with its line and the likely fix."""

from __future__ import annotations

import re
import shlex
import stat
from contextlib import suppress
from copy import deepcopy
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from scanner.configuration.adapters import prepare
from scanner.configuration.mistakes import Mistake, closest, did_you_mean, explain, fields_at
from scanner.configuration.model.environment import OUTSIDE, strays, variable
from scanner.configuration.model.settings import Settings, from_document, read_file
from scanner.configuration.model.wrong_instruments import unwatchable, wrong_costs
from scanner.configuration.model.wrong_names import wrong_names
from scanner.configuration.model.wrong_setups import wrong_own_setups, wrong_rules
from scanner.configuration.page_files import wrong_files
from scanner.configuration.toml_files.lines import around, lines
from scanner.configuration.toml_files.reading import TomlFaultError, document_of
from scanner.configuration.unrouted import unrouted, unrouted_ahead
from scanner.events import KINDS
from scanner.trade.size import rate_of
from scanner.wording.words import named

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from pydantic_core import ErrorDetails

    from scanner.configuration.toml_files.lines import Keys

FILLED = {"sinks": [""], "start": "00:00", "end": "00:01", "zone": "UTC", "date": "2000-01-01", "ratio": "1:1"}
"""Placeholders for required settings, so that the settings around them can be checked."""


@dataclass(slots=True)
class CheckedConfig:
    """The result of a check: ``settings`` are None if there are mistakes; warnings are not mistakes.

    ``left`` are the settings without what is wrong, None if they cannot be used. For a file that is not TOML, only its
    settings of the station are left.
    """

    path: Path
    settings: Settings | None = None
    left: Settings | None = None
    mistakes: list[Mistake] = field(default_factory=list)
    warnings: list[Mistake] = field(default_factory=list)
    line_of: dict[Keys, int] = field(default_factory=dict)

    def sentences(self) -> list[str]:
        """Give mistakes and warnings as lines of text, in the order of the file; mistakes from elsewhere come last."""
        found = [(self._line(each), each) for each in (*self.mistakes, *self.warnings)]
        found.sort(key=lambda pair: (pair[1].source is not None, pair[0] or 0))
        return [
            ("" if each.source else f"{self.path}:{line}: " if line else f"{self.path}: ")
            + ("warning: " if each.warning else "")
            + each.sentence
            for line, each in found
        ]

    def _line(self, mistake: Mistake) -> int | None:
        """Find the line of a setting, else that of the nearest table around it."""
        if mistake.source is not None:
            return None
        return next((self.line_of[way] for way in around(mistake.path) if way in self.line_of), None)


def check(path: Path, environ: Mapping[str, str]) -> CheckedConfig:
    """Look for every mistake in a configuration; SettingsError if there is no file.

    What is wrong is taken out and the rest is checked again, so that one mistake does not hide another.
    """
    checked = CheckedConfig(path)
    text = read_file(path)
    try:
        document = document_of(text)
    except TomlFaultError as problem:
        checked.line_of[("TOML",)] = problem.line
        checked.mistakes.append(Mistake(("TOML",), f"{problem} (nothing else was checked)"))
        checked.left = _Pruned({"station": _station(text)}, dict(environ)).settings(path.parent, [])
        return checked
    checked.line_of = lines(text)
    astray = strays(environ, document, Settings.model_fields)
    checked.mistakes += [each for each in astray if not each.warning]
    checked.warnings += [each for each in astray if each.warning]
    pruned = _Pruned(deepcopy(document), dict(environ))
    settings = pruned.settings(path.parent, checked.mistakes)
    checked.left = settings
    if settings is None:
        return checked
    of_rules = list(wrong_rules(settings))
    no_currency = any(path[-1:] == ("currency",) for path in pruned.gone)
    checked.mistakes += [
        *(each for each in wrong_names(settings) if each.path[:-1] not in pruned.gone),  # placeholders are not names
        *(of_rules or wrong_own_setups(settings)),
        *(() if no_currency else wrong_costs(settings)),
        *unwatchable(settings, pruned.gone),
    ]
    for section in ("feeds", "sinks"):
        for name in getattr(settings, section):
            prepared = prepare(section, name, settings, environ)
            checked.mistakes += prepared.mistakes
            checked.warnings += prepared.secrets_missing
    if settings.store_path.is_dir():
        text = f"{settings.store_path} is a folder; give the file of the store, such as closewatch.db in it"
        checked.mistakes.append(Mistake(("station", "store"), text))
    if settings.page is not None:
        wrong = wrong_files(settings.page, settings.folder)
        checked.mistakes += [Mistake(("page", setting), text) for setting, text in wrong]
    checked.warnings += [*_unused(settings), *unrouted(settings), *(() if no_currency else _unsized(settings))]
    checked.warnings += [] if of_rules else [*_without_setups(settings), *unrouted_ahead(settings)]
    checked.warnings += [*_stray_secrets(settings, environ), *_open_to_all(settings, environ)]
    checked.mistakes = list(dict.fromkeys(checked.mistakes))
    if not checked.mistakes:
        checked.settings = settings
    return checked


def _station(text: str) -> dict[str, Any]:
    """Read the lines of the table [station] one by one, as far as they can be read, of a file that is not TOML."""
    found: dict[str, Any] = {}
    within = False
    for line in text.splitlines():
        if line.lstrip().startswith("["):
            within = re.match(r"\s*\[\s*station\s*\]", line) is not None
        elif within:
            with suppress(TomlFaultError):  # reading the whole file reports the mistake itself
                found |= document_of(line)
    return found


class _Pruned:
    """A configuration without its wrong settings; ``gone`` are their paths."""

    def __init__(self, document: dict[str, Any], environ: dict[str, str]) -> None:
        self.document = document
        self.environ = environ
        self.gone: set[Keys] = set()

    def settings(self, folder: Path, mistakes: list[Mistake]) -> Settings | None:
        """Take out what is wrong until the rest can be used; None if that does not help."""
        while True:
            try:
                return from_document(self.document, folder, self.environ)
            except ValidationError as problem:
                errors = problem.errors()
            sources = [self._source(error["loc"]) for error in errors]
            explained, wrong = zip(errors, sources, strict=True), {error["loc"] for error in errors}
            mistakes += [
                Mistake(error["loc"], explain(error, Settings), source=source)
                for error, source in explained
                if not self._follows(error, wrong)
            ]
            # Remove from the end of a list, so that the indices of the others stay the same.
            pairs = sorted(
                zip(errors, sources, strict=True),
                key=lambda pair: [str(part).zfill(9) for part in pair[0]["loc"]],
                reverse=True,
            )
            removed = [self._removed(error, source) for error, source in pairs]
            if not any(removed):
                return None

    def _follows(self, error: ErrorDetails, wrong: set[Keys]) -> bool:
        """Say whether an error only follows from something taken out, or is among what is ``wrong``."""
        path = error["loc"]
        within = (each for each in self.gone | wrong if len(each) > len(path))
        emptied = error["type"] == "too_short" and any(each[: len(path)] == path for each in within)
        return path in self.gone or emptied

    def _removed(self, error: ErrorDetails, source: str | None) -> bool:
        path = error["loc"]
        self.gone.add(path)
        if error["type"] == "extra_forbidden":
            meant = closest(str(path[-1]), fields_at(Settings, path[:-1]))
            self.gone |= {(*path[:-1], meant)} if meant else set()
        if source is not None:
            return self.environ.pop(source.split()[0], None) is not None
        here: Any = self.document
        try:
            for part in path[:-1]:
                here = here[part]
            if error["type"] == "missing":
                here[path[-1]] = FILLED[str(path[-1])]
            else:
                del here[path[-1]]
        except (LookupError, TypeError):
            return False
        return True

    def _source(self, path: Keys) -> str | None:
        """Name the variable that a value comes from; None for the file."""
        for way in around(path):
            name = variable(*(part for part in way if isinstance(part, str)))
            if name in self.environ:
                return f"{name} in the environment"
        return None


def _without_setups(settings: Settings) -> Iterator[Mistake]:
    """Warn of instruments for which every setup is off; there must be no ``wrong_rules``."""
    lost = [name for name in settings.instruments if not settings.rulebook_of(name).setups]
    if lost:
        whose = named(lost) if len(lost) < len(settings.instruments) else "any instrument"
        text = f"no setup is on for {whose}, so nothing will be found there; take out on = false, or add a setup"
        yield Mistake(("setups",), text, warning=True)


def _unused(settings: Settings) -> Iterator[Mistake]:
    watched = []
    feeds: set[str] = set()
    for name, own in settings.instruments.items():
        feeds.add(settings.setting_of(name, "feed") or "")
        watched += [(own.group, each) for each in settings.setting_of(name, "timeframes") or ()]
    for name in settings.feeds:
        if name not in _meant(feeds, settings.feeds):
            yield Mistake(("feeds", name), "no instrument uses this feed; it will not be used", warning=True)
    if settings.routes:
        sinks = _meant({sink for route in settings.routes for sink in route.sinks}, settings.sinks)
        for name in settings.sinks:
            if name not in sinks:
                yield Mistake(("sinks", name), "no route leads to this sink; it will receive nothing", warning=True)
    for number, route in enumerate(settings.routes):
        of_series = [kind for kind in route.kinds if KINDS[kind].about in {"setup", "series"}]
        fitting = any(
            (not route.groups or group in route.groups) and (not route.timeframes or timeframe in route.timeframes)
            for group, timeframe in watched
        )
        if watched and not fitting and (of_series or not route.kinds):
            text = "no instrument on the list matches its groups and timeframes; no setup will take this route"
            yield Mistake(("routes", number), text, warning=True)


def _unsized(settings: Settings) -> Iterator[Mistake]:
    """Find instruments that cannot be sized, because their prices and the equity have no common currency."""
    account = settings.account
    if account.equity is None:
        return
    of: dict[str, list[str]] = {}
    for name in settings.instruments:
        currency = settings.setting_of(name, "currency") or ""
        if rate_of(account, currency)[0] is None:
            of.setdefault(currency, []).append(name)
    for currency, names in of.items():
        whose, add = named(names), 'is not given; add currency = "…"'
        if not account.currency:
            text = (
                f"no size can be given for {whose}: the prices are in {currency}, and the currency of the equity {add}"
            )
            yield Mistake(("account",), text, warning=True)
        elif not currency:
            text = f"no size can be given for {whose}: the equity is in {account.currency}, and the currency of the "
            yield Mistake(("instruments", names[0]), f"{text}prices {add}", warning=True)
        else:
            text = f"there is no rate for {currency}, the currency of {whose}, and no size can be given without one; "
            text += f"add what 1 {currency} is worth in {account.currency}: fx = {{ {currency} = … }}"
            yield Mistake(("account", "fx"), text, warning=True)


def _meant(names: set[str], known: Mapping[str, object]) -> set[str | None]:
    """Replace unknown names that look like misspellings of known ones."""
    return {name if name in known else closest(name, known) for name in names}


def _secret_files(settings: Settings, environ: Mapping[str, str]) -> list[Path]:
    """List the files of the secrets folder; none if it cannot be listed, which each feed and sink reports."""
    folder = settings.secrets_folder(environ)
    try:
        return sorted(folder.iterdir()) if folder is not None and folder.is_dir() else []
    except OSError:
        return []


def _stray_secrets(settings: Settings, environ: Mapping[str, str]) -> Iterator[Mistake]:
    for file in _secret_files(settings, environ):
        section, _, rest = file.name.partition(".")
        known = getattr(settings, section) if section in OUTSIDE else None
        if known is not None and not any(rest.startswith(f"{name}.") for name in known):
            text = f"belongs to no {section[:-1]} in the configuration" + did_you_mean(rest.partition(".")[0], known)
            yield Mistake((), text, warning=True, source=f"the file {file}")


def _open_to_all(settings: Settings, environ: Mapping[str, str]) -> Iterator[Mistake]:
    """Find secrets, and a store, that every user of the machine can read."""
    secrets = [
        file for file in _secret_files(settings, environ) if file.name.startswith(tuple(f"{each}." for each in OUTSIDE))
    ]
    for file in (*secrets, settings.store_path):
        with suppress(OSError):  # a missing or unreadable file is reported elsewhere if it matters
            if file.stat().st_mode & stat.S_IROTH and file.resolve().parent.stat().st_mode & stat.S_IXOTH:
                text = f"every user of this machine can read it; run: chmod 600 {shlex.quote(str(file))}"
                yield Mistake((), text, warning=True, source=f"the file {file}")
