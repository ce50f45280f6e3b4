"""A watching station that is killed and started again says what a replay says, whatever is decided meanwhile.

`kill_watch` does it more often. It runs in a process of its own, as a station and a replay do.
"""

from __future__ import annotations

import re
import subprocess
import sys

KILLS = 2


def test_killed_at_random_moments_nothing_is_missing_and_nothing_said_twice() -> None:
    command = [sys.executable, "-m", "tests.service.kill_watch", "--kills", str(KILLS), "--seed", "2"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    told = {
        name: int(count.replace(",", ""))
        for name, count in re.findall(r"^(\S.*?)  +([\d,]+)", done.stdout, re.MULTILINE)
    }
    assert told["kills"] == KILLS
    assert re.search(r"[1-9][\d,]* setup.closed", done.stdout)
    assert re.search(r"[1-9]\d* kept", done.stdout)
