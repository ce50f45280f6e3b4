"""The entry point of the command ``closewatch``."""

from __future__ import annotations

import gc
import sys


def main() -> None:
    """Run the command line; every expected error is one sentence and an exit code, never a traceback."""
    try:
        code = _run()
    except KeyboardInterrupt:  # while what parses the command line was being loaded
        code = 130
    gc.freeze()  # else Python would search all that is loaded for cycles once more before it ends
    sys.exit(code)


def _run() -> int:
    from scanner.cli.command_line import app  # noqa: PLC0415 - takes so long to load that Ctrl-C may come
    from scanner.commands.trouble import (  # noqa: PLC0415 - as above
        INTERRUPTED,
        TERMINATED,
        end_at_the_next_signal,
        replace_closed_streams,
        run_guarded,
        stop_at_sigterm,
    )

    replace_closed_streams()
    terminated = stop_at_sigterm()
    code = run_guarded(app)
    end_at_the_next_signal()
    return TERMINATED if terminated and code == INTERRUPTED else code
