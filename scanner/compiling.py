"""Compiled code: compiled once on a machine, kept on disk, and compiled again when any file it may use has changed."""

from __future__ import annotations

import os
import sys
from functools import cache
from hashlib import sha256
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numba
import numpy as np
from numba import float64
from numba.core.dispatcher import Dispatcher
from numba.extending import intrinsic

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

F = TypeVar("F", bound="Callable[..., Any]")
Number = TypeVar("Number", bound=np.generic)

ANALYSIS = Path(__file__).parent / "analysis"
CACHE_FOLDER = "NUMBA_CACHE_DIR"
"""Environment variable that names a folder for compiled code, as it does for the library that compiles."""


LINEAR_ALGEBRA = "scipy.linalg.cython_blas"
"""What the compiler's library of array functions loads if it is installed, and nothing here uses."""


def _load_array_functions() -> None:
    """Load that library now, without linear algebra, which takes longer to load than everything else here."""
    if LINEAR_ALGEBRA in sys.modules:
        return
    modules: dict[str, Any] = sys.modules  # None in it marks a module as missing
    modules[LINEAR_ALGEBRA] = None
    try:
        import_module("numba.np.arraymath")
    finally:
        del modules[LINEAR_ALGEBRA]


_load_array_functions()


@cache
def kept_in() -> Path:
    """Give the folder in which compiled code is kept: one for each state of the files of ``scanner.analysis``.

    A compiled function contains what it calls. The library that compiles looks only at the file of the function
    itself, so a change of a file that it calls would go unnoticed; another state of any file is another folder.
    """
    state = sha256(numba.__version__.encode())
    for path in sorted(ANALYSIS.rglob("*.py")):
        state.update(path.read_bytes())
    return _root() / state.hexdigest()[:16]


def _root() -> Path:
    if named := os.environ.get(CACHE_FOLDER):
        return Path(named)
    if os.access(ANALYSIS, os.W_OK):
        return ANALYSIS / "__pycache__"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "closewatch"


def compiled(function: F) -> F:
    """Compile a function when it is first called, and keep the result on disk.

    Division by zero gives NaN or infinity, as in numpy.
    """
    config: Any = numba.config  # whose settings have no types
    before, config.CACHE_DIR = config.CACHE_DIR, str(kept_in())
    try:
        return cast("F", numba.njit(cache=True, error_model="numpy")(function))
    finally:
        config.CACHE_DIR = before


def inlined(function: F) -> F:
    """Inline a small function into each compiled function that calls it."""
    return cast("F", numba.njit(error_model="numpy", inline="always")(function))


def specialised(function: F) -> F:
    """Compile a function again for each compiled function passed to it; that is quick, and nothing is kept."""
    return cast("F", numba.njit(error_model="numpy")(function))


def lent(column: NDArray[Number]) -> NDArray[Number]:
    """Give a column to compiled code: as it lies in memory, and not to be written to.

    The compiler would make other code for a column that may be written to, or that does not lie in one piece.
    """
    view = np.ascontiguousarray(column).view()
    view.setflags(write=False)
    return view


def is_compiled(function: object) -> bool:
    """Say whether a function is one that the compiler made."""
    return isinstance(function, Dispatcher)


def _fused(typing: Any, a: Any, b: Any, c: Any) -> Any:  # noqa: ANN401 - as above
    """Give a · b + c with one rounding on every machine: left to the compiler, there could be one or two."""
    del typing, a, b, c

    def made(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:  # noqa: ANN401 - as above
        return builder.fma(*values)

    return float64(float64, float64, float64), made


fused: Callable[[float, float, float], float] = cast("Any", intrinsic(_fused))


def is_kept(function: Any) -> bool:  # noqa: ANN401 - what the compiler makes has no type
    """Say whether a compiled form of a function is kept on this machine."""
    folder, mark = Path(str(function.stats.cache_path)), f".{function.py_func.__name__}-"
    return folder.is_dir() and any(mark in path.name and path.suffix == ".nbi" for path in folder.iterdir())
