"""Turn an error into one clear sentence and an exit code."""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

DONE, FAILED, UNUSABLE, INTERRUPTED, TERMINATED = 0, 1, 2, 130, 143
"""Exit codes: success; stopped by an error on the way; bad arguments or unusable input; Ctrl-C; SIGTERM."""

STDERR = 2
"""The number of the last stream of a process."""

STOPPED = "\nclosewatch: stopped; nothing was left half done.\n"


class UsageError(Exception):
    """The request cannot be carried out; the message is one sentence that says why and what to do."""

    exit_code = UNUSABLE


class StoppedError(Exception):
    """Work under way was stopped from outside, perhaps for a while; the message is one sentence."""

    exit_code = FAILED


def stop_at_sigterm() -> list[int]:
    """Let SIGTERM stop work as Ctrl-C does, and return the list in which it is noted; a station has its own way."""
    noted: list[int] = []

    def stop(number: int, _: object) -> None:
        noted.append(number)
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
    return noted


def end_at_the_next_signal() -> None:
    """Let one more Ctrl-C or SIGTERM end the process at once, whose end may wait for the work of others."""
    for each in (signal.SIGINT, signal.SIGTERM):
        signal.signal(each, signal.SIG_DFL)


def replace_closed_streams() -> None:
    """Let streams that were closed before the start lead nowhere, or a file opened next would take their numbers."""
    while (number := os.open(os.devnull, os.O_RDWR)) <= STDERR:
        name = ("stdin", "stdout", "stderr")[number]
        setattr(sys, name, os.fdopen(number, "w" if number else "r"))
    os.close(number)


def _drop_unread_output() -> None:
    """Drop output that has no reader: a second try at exit would change the exit code."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _without_number(problem: Exception) -> str:
    """Give an error of the system as its file and its reason; any other as its own sentence."""
    if not isinstance(problem, OSError) or problem.strerror is None:
        return str(problem)
    return problem.strerror if problem.filename is None else f"{problem.filename}: {problem.strerror}"


def run_guarded(app: typer.Typer, words: Sequence[str] | None = None) -> int:
    """Run the command line of this process, or the one given in ``words``, and return its exit code.

    An expected error carries an ``exit_code``, and its message is the sentence for the user; anything else is a defect
    and keeps its traceback.
    """
    try:
        result = typer.main.get_command(app)(words, prog_name="closewatch", standalone_mode=False)
        sys.stdout.flush()
    except (KeyboardInterrupt, typer.Abort):
        result = INTERRUPTED
    except BrokenPipeError:
        _drop_unread_output()
        return FAILED
    except Exception as problem:  # anything but a sentence for the user is raised again
        code = UNUSABLE if isinstance(problem, OSError) else getattr(problem, "exit_code", None)
        if not isinstance(code, int):
            raise
        show: Callable[[], None] | None = getattr(problem, "show", None)  # the parser's own errors show usage too
        if show is not None:
            show()
        else:
            sys.stderr.write(f"closewatch: {_without_number(problem)}\n")
        _drop_unread_output()
        return code
    if result == INTERRUPTED:  # the parser turns Ctrl-C into this code as well
        sys.stderr.write(STOPPED)
    return result if isinstance(result, int) else DONE
