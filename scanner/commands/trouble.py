"""From trouble to one clear sentence and an exit code."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    import typer

DONE, FAILED, UNUSABLE, INTERRUPTED = 0, 1, 2, 130
"""Exit codes: all well; stopped by trouble on the way; bad words or unusable input; Ctrl-C."""


class UsageError(Exception):
    """What was asked for cannot be done; the message is one sentence that says why and what to do."""

    exit_code = UNUSABLE


def _sentence(problem: BaseException) -> str:
    return f"closewatch: {problem}".rstrip()


def run_guarded(app: typer.Typer) -> int:
    """Run the command line and give its exit code."""
    import typer.main  # noqa: PLC0415

    try:
        result = typer.main.get_command(app)(standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.NoArgsIsHelpError as nothing_said:
        sys.stdout.write(nothing_said.ctx.get_help() + "\n")
        return UNUSABLE
    except click.ClickException as problem:
        problem.show()
        return UNUSABLE
    except (KeyboardInterrupt, click.Abort):
        sys.stderr.write("\nclosewatch: stopped; nothing half done was left behind.\n")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone: nothing more to say, not even at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except Exception as problem:
        expected = _expected(problem)
        if expected is None:
            raise
        sys.stderr.write(_sentence(problem) + "\n")
        return expected
    return result if isinstance(result, int) else DONE


def _expected(problem: Exception) -> int | None:
    """Give the exit code of a trouble that was foreseen, None for a defect of ours."""
    code = getattr(problem, "exit_code", None)
    if isinstance(code, int):
        return code
    return UNUSABLE if isinstance(problem, OSError) else None
