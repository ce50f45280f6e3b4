"""The house keeps its shape: imports point one way, rooms make no circle, and heavy libraries wait until needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

HOUSE = Path(__file__).parent.parent

ROOMS = (
    "scanner.arrow",
    "scanner.cycles",
    "scanner.compiling",
    "scanner.clocks",
    "scanner.backoff",
    "scanner.event_data",
    "scanner.events",
    "scanner.market",
    "scanner.ports",
    "scanner.wording",
    "scanner.analysis",
    "scanner.trade",
    "scanner.judgement",
    "scanner.follow",
    "scanner.engine",
    "scanner.pipeline",
    "scanner.configuration",
    "scanner.store",
    "scanner.delivery",
    "scanner.journal",
    "scanner.replays",
    "scanner.studies",
    "scanner.present",
    "scanner.service",
    "scanner.web",
    "scanner.commands",
    "scanner.page",
    "scanner.frames",
    "scanner.cli",
)
"""The rooms, lowest first: each may import those before it. What is under a name is in that room."""

OUTSIDE = {
    *("scanner.arrow", "scanner.backoff", "scanner.clocks", "scanner.events", "scanner.market", "scanner.ports"),
    *("scanner.present", "scanner.wording"),
}
"""The rooms that adapters may import."""

SETTINGS = "scanner.configuration.model.settings"

MOST_FILES = 12
"""How many files of code one folder may hold, besides its ``__init__``."""


def files() -> list[Path]:
    return sorted(path for room in ("scanner", "adapters") for path in (HOUSE / room).rglob("*.py"))


def module(path: Path) -> str:
    return ".".join(path.relative_to(HOUSE).with_suffix("").parts).removesuffix(".__init__")


def room_of(name: str) -> str:
    return "adapters" if name.startswith("adapters") else ".".join(name.split(".")[:2])


@cache
def imported(path: Path) -> set[str]:
    """List the modules of the house that a file names in its imports, for types or for use."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            # `from package import module` names a module too.
            names |= {f"{node.module}.{alias.name}" for alias in node.names if is_module(f"{node.module}.{alias.name}")}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return {name for name in names if name.split(".")[0] in {"scanner", "adapters"}}


def is_module(name: str) -> bool:
    path = HOUSE / name.replace(".", "/")
    return path.with_suffix(".py").exists() or (path / "__init__.py").exists()


def astray(path: Path) -> set[str]:
    """Give what a file imports against the way of the house."""
    room = room_of(module(path))
    if room == "scanner":  # what Python programs import, from wherever it is
        return set()
    allowed = OUTSIDE | {"adapters"} if room == "adapters" else {*ROOMS[: ROOMS.index(room) + 1]}
    return {name for name in imported(path) if room_of(name) not in allowed and name not in {"scanner", "adapters"}}


def test_imports_point_the_way_of_the_house() -> None:
    assert {module(path): found for path in files() if (found := astray(path))} == {}


def test_no_file_imports_itself_by_a_detour() -> None:
    graph = {module(path): imported(path) for path in files()}
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, f"a circle: {' -> '.join((*way[way.index(name) :], name))}"
        if name in done:
            return
        for other in graph.get(name, ()):
            if other != name and other in graph:
                visit(other, (*way, name))
        done.add(name)

    for name in graph:
        visit(name, ())


def test_no_folder_holds_more_than_a_dozen_files() -> None:
    counted = {folder: len([*folder.glob("[!_]*.py")]) for folder in {path.parent for path in files()}}
    assert not {str(folder): count for folder, count in counted.items() if count > MOST_FILES}


def loaded_with(modules: str, heavy: tuple[str, ...]) -> str:
    """Say which ``heavy`` modules a new process has after importing some others."""
    code = f"import sys, {modules}; print([name for name in {heavy!r} if name in sys.modules])"
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return printed.stdout.strip()


def test_asking_for_help_imports_nothing_heavy() -> None:
    heavy = ("numba", "numpy", "pandas", "pyarrow", "matplotlib", "exchange_calendars", "pydantic")
    assert loaded_with("scanner.cli.command_line", heavy) == "[]"


def test_a_replay_without_a_configuration_imports_nothing_for_watching() -> None:
    heavy = (
        "asyncio",
        "cffi",
        "exchange_calendars",
        "matplotlib",
        "pandas",
        "rich",
        "scanner.configuration.model.settings",
    )
    assert (
        loaded_with("scanner.cli.command_line, scanner.commands.recorded.replay, adapters.feeds.recorded", heavy)
        == "[]"
    )


def test_the_page_holds_nothing_of_the_rules() -> None:
    heavy = (
        "numba",
        "pandas",
        "pyarrow",
        "matplotlib",
        "bokeh",
        "exchange_calendars",
        "scanner.configuration.model.settings",
    )
    assert loaded_with("scanner.page.__main__, scanner.page.app, scanner.page.known.looking", heavy) == "[]"
