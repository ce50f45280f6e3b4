"""The house keeps its shape: imports point one way, and the heavy ones wait until they are needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent

LEAVES = {
    "scanner.clocks",
    "scanner.event_columns",
    "scanner.event_data",
    "scanner.events",
    "scanner.ports",
    "scanner.market.bars",
}
"""Anybody may import these."""

MAY_IMPORT = {
    "scanner.clocks": set(),
    "scanner.contradictions": {"scanner.market"},
    "scanner.event_columns": set(),
    "scanner.event_data": set(),
    "scanner.events": set(),
    "scanner.market": set(),
    "scanner.ports": set(),
    "scanner.analysis": {"scanner.market"},
    "scanner.trade": {"scanner.market", "scanner.analysis"},
    "scanner.follow": {"scanner.market", "scanner.analysis", "scanner.trade"},
    "scanner.judgement": {"scanner.market", "scanner.analysis", "scanner.trade"},
    "scanner.forming": {"scanner.market", "scanner.analysis"},
    "scanner.found_columns": {"scanner.market", "scanner.analysis", "scanner.trade", "scanner.judgement"},
    "scanner.engine": {
        "scanner.market",
        "scanner.analysis",
        "scanner.trade",
        "scanner.follow",
        "scanner.judgement",
        "scanner.forming",
    },
    "scanner.pipeline": {
        "scanner.market",
        "scanner.analysis",
        "scanner.trade",
        "scanner.follow",
        "scanner.judgement",
        "scanner.engine",
    },
    "scanner.settings": {"scanner.market", "scanner.analysis", "scanner.trade", "scanner.service"},
    "scanner.present": {
        "scanner.market",
        "scanner.analysis",
        "scanner.trade",
        "scanner.follow",
        "scanner.judgement",
        "scanner.engine",
        "scanner.replay",
        "scanner.journal",
        "scanner.studies",
        "scanner.service.store",
    },
    "scanner.journal": {"scanner.market", "scanner.trade", "scanner.service.store"},
    "scanner.replay": {
        "scanner.contradictions",
        "scanner.market",
        "scanner.analysis",
        "scanner.trade",
        "scanner.follow",
        "scanner.engine",
        "scanner.pipeline",
    },
    "scanner.recordings": {
        "scanner.contradictions",
        "scanner.market",
        "scanner.trade",
        "scanner.pipeline",
        "scanner.replay",
        "scanner.settings",
    },
    "scanner.studies": {
        "scanner.market",
        "scanner.analysis",
        "scanner.trade",
        "scanner.follow",
        "scanner.judgement",
        "scanner.engine",
        "scanner.pipeline",
        "scanner.replay",
        "scanner.recordings",
        "scanner.settings",
        "scanner.journal",
    },
    "scanner.service": {
        "scanner.market",
        "scanner.analysis",
        "scanner.trade",
        "scanner.follow",
        "scanner.engine",
        "scanner.pipeline",
        "scanner.present",
        "scanner.settings",
    },
    "scanner.frames": {
        "scanner.commands",
        "scanner.engine",
        "scanner.found_columns",
        "scanner.judgement",
        "scanner.pipeline",
        "scanner.present",
        "scanner.recordings",
        "scanner.replay",
        "scanner.settings",
        "scanner.trade",
    },
    "scanner.web": {"scanner.service"},
    "scanner.page": {"scanner"},
    "scanner.commands": {"scanner"},
    "scanner.cli": {
        "scanner.commands",
        "scanner.page",
        "scanner.recordings",
        "scanner.settings",
        "scanner.studies",
        "scanner.trade",
    },
    "adapters": {"scanner.market", "scanner.present"},
}
"""Besides itself and the leaves, what each room may import; everything under a name counts as that name."""


def files() -> list[Path]:
    return sorted(path for room in ("scanner", "adapters") for path in (HOUSE / room).rglob("*.py"))


def module(path: Path) -> str:
    return ".".join(path.relative_to(HOUSE).with_suffix("").parts).removesuffix(".__init__")


def within(name: str, room: str) -> bool:
    return name == room or name.startswith(room + ".")


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
    return {name for name in names if within(name, "scanner") or within(name, "adapters")}


def is_module(name: str) -> bool:
    path = HOUSE / name.replace(".", "/")
    return path.with_suffix(".py").exists() or (path / "__init__.py").exists()


@pytest.mark.parametrize("path", files(), ids=module)
def test_imports_point_the_way_of_the_house(path: Path) -> None:
    name = module(path)
    room = next((room for room in MAY_IMPORT if within(name, room)), None)
    if room is None:
        assert name in {"scanner", "scanner.analysis.setups", "adapters"}, f"{name} is in no room of the house"
        return
    allowed = MAY_IMPORT[room] | {room} | LEAVES
    astray = {
        other
        for other in imported(path)
        if not any(within(other, each) for each in allowed) and other not in {"scanner", "adapters"}
    }
    assert not astray, f"{name} must not import {sorted(astray)}"


def test_there_is_no_circle() -> None:
    graph = {module(path): imported(path) for path in files()}
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, f"a circle: {' -> '.join((*way[way.index(name) :], name))}"
        if name in done:
            return
        for other in graph.get(name, ()):
            # A package's own __init__ only describes it.
            if other != name and other in graph and not other.endswith("__init__"):
                visit(other, (*way, name))
        done.add(name)

    for name in graph:
        visit(name, ())


def test_asking_for_help_imports_nothing_heavy() -> None:
    heavy = ("numba", "numpy", "pandas", "pyarrow", "matplotlib", "exchange_calendars", "pydantic")
    code = f"import sys, scanner.cli; print([name for name in {heavy!r} if name in sys.modules])"
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert printed.stdout.strip() == "[]"
