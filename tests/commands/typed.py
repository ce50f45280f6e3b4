"""Commands as they are typed: in this process, and in one of their own where that is what matters."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import redirect_stderr, redirect_stdout
from io import BytesIO, TextIOWrapper
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from scanner.cli.command_line import app
from scanner.commands.trouble import run_guarded

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Result = TypeVar("Result")

RUN = [sys.executable, "-c", "from scanner.cli import main; main()"]


class Done(NamedTuple):
    """The exit code of a command, and all that it said."""

    code: int
    out: str
    err: str


def closewatch(*words: str | Path) -> Done:
    """Run a command here, by the function that the entry point calls, with streams like those of a process."""
    out = TextIOWrapper(BytesIO(), "utf-8")
    err = TextIOWrapper(BytesIO(), "utf-8", errors="backslashreplace")
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, [*map(str, words)])
    for stream in (out, err):
        stream.seek(0)
    return Done(code, out.read(), err.read())


def in_a_process(*words: str | Path, **environ: str) -> Done:
    """Run a command in a process of its own, with what ``environ`` adds to the environment."""
    done = subprocess.run(
        [*RUN, *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env=os.environ | environ,
    )
    return Done(done.returncode, done.stdout, done.stderr)


def as_anybody(*words: str | Path) -> Done:
    """Run a command here, by the permissions of files."""
    return by_permissions(lambda: closewatch(*words))


def by_permissions(work: Callable[[], Result]) -> Result:
    """Work in a thread without what lets root write and read whatever permissions say."""

    def run() -> Result:
        libc = ctypes.CDLL(None)
        # As capset(2) lays them out: the version and the thread; then what is in effect, what is permitted and what is
        # inherited, each 64 bits in two halves. Bits 1 and 2 are those for writing and reading (capabilities(7)).
        thread, held = (ctypes.c_uint32 * 2)(0x20080522, 0), (ctypes.c_uint32 * 6)()
        assert libc.capget(thread, held) == 0
        fewer = type(held)(*(bits & ~0b110 for bits in held[:2]), *held[2:])
        assert libc.capset(thread, fewer) == 0
        return work()

    with ThreadPoolExecutor(1) as pool:
        return pool.submit(run).result()
