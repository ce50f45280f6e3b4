"""All setups by name: those of the entry points ``closewatch.setups``, and a user's own."""

from __future__ import annotations

import sys
from functools import cache
from importlib import import_module
from importlib.machinery import PathFinder
from importlib.metadata import entry_points
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scanner.analysis.door.setup import FORMING, KEYS, OBJECT, ON, Chosen, Setup
from scanner.analysis.door.shape import faults

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


class SetupError(Exception):
    """A setup cannot be used; the message says in one sentence which, why and what to do."""

    exit_code = 2


@cache
def known() -> dict[str, Setup[Any]]:
    """Give the installed setups by name, in the order of their names."""
    found = {}
    for point in sorted(entry_points(group="closewatch.setups")):
        setup = _loaded(point.value)
        if setup.name != point.name:
            raise SetupError(f"the setup {point.name} calls itself {setup.name!r}; both must be the same")
        found[point.name] = setup
    if not found:
        raise SetupError("no setup is installed, not even the ones that closewatch brings: install closewatch again")
    return found


def own(name: str, path: str, folder: Path) -> Setup[Any]:
    """Load a user's own setup, ``module:OBJECT``, from a folder or wherever Python finds modules; SetupError."""
    beside = str(folder.resolve())
    if beside not in sys.path:
        sys.path.append(beside)  # last, so that no file beside a configuration is taken for a library
    module = path.partition(":")[0].partition(".")[0]
    if module and (here := PathFinder.find_spec(module, [beside])) is not None and here.origin is not None:
        found = find_spec(module)
        if found is not None and Path(str(found.origin)).resolve() != Path(here.origin):
            raise SetupError(f"{path} is not in {here.origin}, but in {found.origin}; give your file another name")
    setup = _loaded(path)
    if setup.name != name:
        raise SetupError(f"{path} calls itself {setup.name!r}; give both the same name")
    return setup


def setup_named(name: str, table: Mapping[str, Any], folder: Path) -> Setup[Any]:
    """Give the setup that a table is about; SetupError if there is none."""
    if OBJECT in table:
        return own(name, str(table[OBJECT]), folder)
    if name not in known():
        raise SetupError(f"there is no setup {name!r}; there is {', '.join(known())}, or name your own with object")
    return known()[name]


def chosen(tables: Sequence[Mapping[str, Mapping[str, Any]]], folder: Path) -> tuple[Chosen, ...]:
    """Give the setups that are watched, by tables of setups from the most general to an instrument's own.

    A setup listed in any of them is watched unless it says ``on = false``; of those not listed, only the ones that are
    watched by default. One with ``forming = true`` is announced one bar ahead. A user's own setups are looked for in
    ``folder``. SetupError, or a pydantic ValidationError of the numbers.
    """
    merged: dict[str, dict[str, Any]] = {}
    for each in tables:
        for name, table in each.items():
            merged.setdefault(name, {}).update(table)
    found = []
    for name in sorted({*known(), *merged}):
        table = merged.get(name, {})
        setup = setup_named(name, table, folder)
        if is_true(table.get(ON, name in merged or setup.by_default)):
            numbers = setup.numbers.model_validate({key: value for key, value in table.items() if key not in KEYS})
            found.append(Chosen(setup, numbers, is_announced_ahead(setup, table.get(FORMING, False))))
    return tuple(found)


def is_announced_ahead(setup: Setup[Any], value: object) -> bool:
    """Read whether a setup is announced one bar ahead; ValueError, also if it cannot be."""
    if is_true(value) and setup.forming is None:
        raise ValueError(f"the {setup.title} cannot be announced before its last bar; leave forming out")
    return is_true(value)


def is_true(value: object) -> bool:
    """Read a switch, as written in TOML or the environment; ValueError."""
    if isinstance(value, bool) or str(value).lower() in {"true", "false"}:
        return str(value).lower() == "true"
    raise ValueError(f"must be true or false, not {value!r}")


def by_default() -> tuple[Chosen, ...]:
    """Give the setups watched without being listed, with their default numbers."""
    return chosen((), Path())


def _loaded(path: str) -> Setup[Any]:
    module, _, name = path.partition(":")
    if not module or not name:
        raise SetupError(f'write it as "module:OBJECT", not {path!r}')
    try:
        found = getattr(import_module(module), name)
    except (Exception, SystemExit) as problem:  # noqa: BLE001 - a user's own code may raise anything
        raise SetupError(f"{path} cannot be loaded ({type(problem).__name__}: {problem})") from None
    if not isinstance(found, Setup):
        raise SetupError(f"{path} is a {type(found).__name__}, not a Setup")
    for fault in faults(found):
        raise SetupError(f"{path}: {fault}")
    return found
