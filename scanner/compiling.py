"""Compiled code: compiled once on a machine, kept on disk, and compiled again if a file that it may use changes."""

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
from llvmlite import ir
from numba import float64, intp, void
from numba.core.dispatcher import Dispatcher
from numba.extending import intrinsic

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

F = TypeVar("F", bound="Callable[..., Any]")
Number = TypeVar("Number", bound=np.generic)

ANALYSIS = Path(__file__).parent / "analysis"
BESIDE = ("follow", "market", "studies", "trade")
"""Other packages that contain compiled code."""
CACHE_FOLDER = "NUMBA_CACHE_DIR"
"""The environment variable with which the compiling library, and so this module, lets users choose the folder."""


UNUSED = {"numba.np.arraymath": "scipy.linalg.cython_blas", "numba.core.typing.cffi_utils": "cffi"}
"""Parts of the compiler, and what each loads if it is installed: linear algebra and calls of C, which are not used."""


def _load_without(unused: str, part: str) -> None:
    """Load a part of the compiler now, without a module that it can do without and that takes long to load."""
    if unused in sys.modules:
        return
    modules: dict[str, Any] = sys.modules  # None in it marks a module as missing
    modules[unused] = None
    try:
        import_module(part)
    finally:
        del modules[unused]


for _part, _unused in UNUSED.items():
    _load_without(_unused, _part)


@cache
def kept_in() -> Path:
    """Give the folder in which compiled code is kept: one for each state of ANALYSIS and of the files BESIDE.

    A compiled function contains the functions that it calls, but the compiling library checks only the function's own
    file. It would miss a change in another file, so any change in these files leads to another folder.
    """
    state = sha256(numba.__version__.encode())
    for path in sorted(ANALYSIS.rglob("*.py")):
        state.update(path.read_bytes())
    for path in sorted(path for room in BESIDE for path in (ANALYSIS.parent / room).rglob("*.py")):
        if b"@compiled" in (content := path.read_bytes()):
            state.update(content)
    return _root() / state.hexdigest()[:16]


def _root() -> Path:
    if named := os.environ.get(CACHE_FOLDER):
        return Path(named)
    if os.access(ANALYSIS, os.W_OK):
        return ANALYSIS / "__pycache__"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "closewatch"


NOT_FROM_C: dict[str, Any] = {"no_cfunc_wrapper": True}
"""No C code calls compiled code, so it gets no entry point for C. The library's types lack this option."""


def compiled(function: F) -> F:
    """Compile a function when it is first called, and keep the result on disk.

    Division by zero gives NaN or infinity, as in numpy.
    """
    config: Any = numba.config  # its settings have no types
    before, config.CACHE_DIR = config.CACHE_DIR, str(kept_in())
    try:
        return cast("F", numba.njit(cache=True, error_model="numpy", **NOT_FROM_C)(function))
    finally:
        config.CACHE_DIR = before


def inlined(function: F) -> F:
    """Inline a small function into each compiled function that calls it."""
    return cast("F", numba.njit(error_model="numpy", inline="always")(function))


def lent(column: NDArray[Number]) -> NDArray[Number]:
    """Prepare a column for compiled code: contiguous and read-only.

    For a writable or scattered column, the compiler would compile the function again.
    """
    flags = column.flags
    if flags.c_contiguous and not flags.writeable:
        return column
    view = np.ascontiguousarray(column).view()
    view.setflags(write=False)
    return view


def is_compiled(function: object) -> bool:
    """Say whether a function is a compiled one."""
    return isinstance(function, Dispatcher)


def _fused(typing: Any, a: Any, b: Any, c: Any) -> Any:  # noqa: ANN401 - as above
    """Give a · b + c, rounded once on every machine: the compiler alone might round once or twice."""
    del typing, a, b, c

    def made(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:  # noqa: ANN401 - as above
        return builder.fma(*values)

    return float64(float64, float64, float64), made


fused: Callable[[float, float, float], float] = cast("Any", intrinsic(_fused))


def _prefetch(typing: Any, column: Any, index: Any) -> Any:  # noqa: ANN401 - as above
    """Begin to read the cache line of column[index], without waiting for it; there need be no such value."""
    del typing, index

    def made(context: Any, builder: Any, signature: Any, values: Any) -> Any:  # noqa: ANN401 - as above
        pointer, number = ir.IntType(8).as_pointer(), ir.IntType(32)
        array = context.make_array(signature.args[0])(context, builder, values[0])
        place = builder.bitcast(builder.gep(array.data, [values[1]]), pointer)
        called = ir.FunctionType(ir.VoidType(), [pointer, number, number, number])
        instruction = builder.module.declare_intrinsic("llvm.prefetch.p0", fnty=called)
        to_read, to_nearest_cache, data = number(0), number(3), number(1)
        builder.call(instruction, [place, to_read, to_nearest_cache, data])
        return context.get_dummy_value()

    return void(column, intp), made


prefetch: Callable[[NDArray[Any], int], None] = cast("Any", intrinsic(_prefetch))


def is_kept(function: Any) -> bool:  # noqa: ANN401 - compiled functions have no type
    """Say whether compiled code of a function is in memory, or kept on this machine."""
    if function.overloads:
        return True
    folder, mark = Path(str(function.stats.cache_path)), f".{function.py_func.__name__}-"
    return folder.is_dir() and any(mark in path.name and path.suffix == ".nbi" for path in folder.iterdir())
