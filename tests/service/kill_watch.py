"""A station that watches the demo feed as if it were live, killed with SIGKILL at random moments and started again.

Meanwhile decisions are typed and sent (``deciding``). ``python -m tests.service.kill_watch --kills 200`` prints the
counts. It fails unless the killed stations published, byte for byte, what fresh engines publish on the same bars and
decisions, an undisturbed station publishes what a replay does, and no decision is lost or doubled. ``--seed`` chooses
the moments.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from scanner.configuration.model import settings as configuration
from scanner.pipeline import Pools
from scanner.service.changes.decided import Decided
from scanner.store import Store
from tests.adapters.servers import HOST, mosquitto, mosquitto_users
from tests.commands.typed import RUN, closewatch
from tests.service.deciding import PASSWORD, USER, Count, Deciding

CONFIG = Path(demo_feed.__file__).parents[1] / "config" / "demo.toml"
DAY = 86_400
SECOND = 1_000_000_000
HISTORY, PLAYED = 30, 15
"""Days of the recording: those that are history at the first start, and those that are played later."""
KILLS_A_ROUND = 20
"""Kills before a station may go on to the end, and another begins with an empty store."""
WATCHING = 0.7
"""Share of the kills that come while a station watches; the others come while it starts."""
STARTING = 2.0
"""Most seconds after its beginning at which a station is killed while it starts."""
LIVES = 0.8
"""Most seconds that a station watches before it is killed."""
HURRIED = 0.5
"""Share of the kills that come just after a decision is asked for."""
SPLIT_AFTER = 6
"""Days played after which the price of one instrument halves, as after an unannounced split."""
ALONE = 4.0
"""Seconds in which the undisturbed days are played."""
BROKER = f"""
[sinks.broker]
type = "mqtt"
host = "{HOST}"
user = "{USER}"
decisions = true

[[routes]]
sinks = ["screen"]
"""
"""Tables added to the demo configuration, so that the station hears decisions."""
LEAST = 4.5
"""Fewest seconds in which the days interrupted by kills are played."""
COMPARED = ("setup.", "series.")
"""Beginnings of the kinds of event about bars; others are about feeds and stations, and depend on when they ran."""


@dataclass
class Report:
    """The result."""

    replayed: list[str]
    alone: list[str] | None = None
    kills: int = 0
    moments: Counter[str] = field(default_factory=Counter)
    rounds: int = 0
    decisions: Count = field(default_factory=Count)
    changed: int = 0
    """Events that differ from those of a replay because of decisions."""
    missing: int = 0
    other: int = 0
    differ: list[str] = field(default_factory=list)
    """A missing event and a different one, if there are any."""
    seconds: float = 0.0

    @property
    def good(self) -> bool:
        wrong = self.missing or self.other or self.decisions.lost or self.decisions.doubled
        return bool(self.replayed) and self.alone in (None, self.replayed) and not wrong

    def compare(self, wanted: list[str], said: list[str]) -> None:
        """Count the events that a station missed, and those it published in addition or twice."""
        expected, found = Counter(wanted), Counter(said)
        self.changed += (expected - Counter(self.replayed)).total()
        self.missing += (expected - found).total()
        self.other += (found - expected).total()
        self.differ += [*(expected - found), *(found - expected)][:: max(self.missing, 1)][:2]
        self.rounds += 1

    def lines(self) -> list[str]:
        alone = f"{len(self.alone or ()):,}, {'the same' if self.alone == self.replayed else 'DIFFERENT'}"
        kinds = Counter(json.loads(line)["type"].removeprefix("closewatch.") for line in self.replayed)
        return [
            "events of a replay    " + ", ".join(f"{count:,} {kind}" for kind, count in sorted(kinds.items())),
            f"watched undisturbed   {'not asked for' if self.alone is None else alone}",
            f"kills                 {self.kills:,} in {self.rounds:,} rounds: "
            + ", ".join(f"{count:,} {moment}" for moment, count in sorted(self.moments.items())),
            *self.decisions.lines(),
            f"events changed by them {self.changed:,}",
            f"events missing        {self.missing:,}",
            f"other or said twice   {self.other:,}",
            *self.differ,
            f"seconds               {self.seconds:.1f}",
        ]


def cut_recording(folder: Path) -> int:
    """Write the last days of the demo feed into a folder; returns when they end, in seconds since 1970 UTC."""
    watched, found = configuration.load(CONFIG, {}).instruments, {}
    for recording in RecordedFeed.recordings([Path(demo_feed.__file__).parent]):
        if recording.symbol in watched:
            found[recording.symbol] = list(recording.bars)
    end = max(int(bars.stamp.max()) for parts in found.values() for bars in parts) // SECOND
    split, halved = (end - (PLAYED - SPLIT_AFTER) * DAY) * SECOND, min(found)
    for symbol, parts in found.items():
        lines = ["time,open,high,low,close,volume"]
        for bars in parts:
            part = bars.where(bars.stamp >= (end - (HISTORY + PLAYED) * DAY) * SECOND)
            share = np.where((part.stamp >= split) & (symbol == halved), 0.5, 1.0)
            prices = (np.round(each * share, 4) for each in (part.open, part.high, part.low, part.close))
            columns = (part.stamp // SECOND, *prices, part.volume)
            rows = zip(*(column.tolist() for column in columns), strict=True)
            lines += [",".join(map(repr, row)) for row in rows]
        (folder / f"{symbol}.csv").write_text("\n".join(lines) + "\n")
    return end


def replayed(folder: Path) -> list[str]:
    """Replay the bars with the station's configuration; returns the events, sorted."""
    done = closewatch("replay", folder, "--config", CONFIG, "--events", "-")
    if done.code:
        raise AssertionError(f"the replay ended with {done.code}: {done.err[-2_000:]}")
    return _sorted(done.out.splitlines())


def _sorted(lines: list[str]) -> list[str]:
    return sorted(line for line in lines if json.loads(line)["type"].removeprefix("closewatch.").startswith(COMPARED))


def decided(folder: Path, store: Path) -> list[str]:
    """Give what fresh engines publish on the bars and decisions in a store, sorted."""
    known = configuration.load(CONFIG, {})
    pools, said = Pools(), []
    with Store.open(store, time.time_ns, visiting=True) as visited:
        for recording in RecordedFeed.recordings([folder]):
            pipeline = known.of(recording.symbol).inputs(known.account).pipeline(pools=pools)
            Decided(visited).begin({recording.symbol: pipeline})
            for raw in recording.bars:
                said += [event.to_json() for event in pipeline.events(pipeline.check(raw).bars)]
    return _sorted(said)


def station(folder: Path, store: Path, begin: int, pace: float, port: int | None = None) -> subprocess.Popen[str]:
    """Start a station that plays the recording from a moment on; with a port it gets decisions from a broker there."""
    broker = {"CLOSEWATCH_SINKS__BROKER__PORT": str(port), "CLOSEWATCH_SINKS__BROKER__PASSWORD": PASSWORD}
    environ = os.environ | ({} if port is None else broker)
    environ |= {
        "CLOSEWATCH_STATION__STORE": str(store),
        "CLOSEWATCH_FEEDS__TAPE__PATH": str(folder),
        "CLOSEWATCH_FEEDS__TAPE__BEGIN": datetime.fromtimestamp(begin, UTC).isoformat(),
        "CLOSEWATCH_FEEDS__TAPE__PACE": str(pace),
        # At such a pace thousands of bars close during one round of requests.
        "CLOSEWATCH_FEEDS__TAPE__PATIENCE": str(10 * DAY),
    }
    return subprocess.Popen(
        [*RUN, "watch", str(CONFIG if port is None else folder.parent / CONFIG.name)],
        env=environ,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def told_by(store: Path) -> list[str]:
    """Give the events in a store, sorted."""
    with Store.open(store, time.time_ns, visiting=True) as visited:
        return _sorted([kept.event.to_json() for kept in visited.events.find()])


def reached(store: Path, begin: int) -> int:
    """Give the last close that a station reached, in seconds since 1970 UTC, at least ``begin``."""
    if not store.is_file():
        return begin
    with Store.open(store, time.time_ns) as opened:
        return max(begin, *(close // SECOND for key in opened.bars.keys if (close := opened.bars.last_close(key))), 0)


def to_the_end(folder: Path, store: Path, begin: int, pace: float, port: int) -> list[str]:
    """Let a station play on to the end of the recording; returns all events in its store then."""
    last = station(folder, store, begin, pace, port)
    _, said = last.communicate(timeout=100)
    if last.returncode:
        raise AssertionError(f"the station ended with {last.returncode}: {said[-2_000:]}")
    return told_by(store)


def torment(folder: Path, kills: int, seed: int, *, undisturbed: bool = True) -> Report:
    """Kill stations at moments that ``seed`` chooses; give all that they published.

    With ``undisturbed``, another station first plays the days without kills.
    """
    started, chance = time.monotonic(), random.Random(seed)
    bars = folder / "bars"
    bars.mkdir()
    (folder / CONFIG.name).write_text(CONFIG.read_text() + BROKER)
    end = cut_recording(bars)
    first, report = end - PLAYED * DAY, Report(replayed(bars))
    with mosquitto(folder, mosquitto_users(folder, {USER: PASSWORD})) as broker:
        if undisturbed:
            report.alone = to_the_end(bars, folder / "alone.db", first, PLAYED * DAY / ALONE, broker.port)
        while report.kills < kills:
            store, begin = folder / f"{report.rounds}.db", first
            here = min(KILLS_A_ROUND, kills - report.kills)
            # So that the kills are spread over the days, some of which pass while a station starts.
            pace = PLAYED * DAY / max(0.9 * here, LEAST)
            deciding = Deciding(store, broker.port, chance.randrange(10**6))
            deciding.start()
            try:
                for _ in range(here):
                    said, code = killed(station(bars, store, begin, pace, broker.port), chance, deciding)
                    if code == 0:  # it had reached the end of the recording
                        break
                    report.kills += 1
                    report.moments[_moment(said)] += 1
                    begin = min(reached(store, begin) + chance.randrange(0, DAY // 2), end)
                told = to_the_end(bars, store, begin, max(pace, (end - begin) / 2), broker.port)
            finally:
                deciding.stop()
            report.decisions.add(deciding.asked, store)
            report.compare(decided(bars, store), told)
    report.seconds = time.monotonic() - started
    return report


def killed(living: subprocess.Popen[str], chance: random.Random, deciding: Deciding) -> tuple[str, int]:
    """Kill a station while it starts or watches; returns its log and its exit code.

    Often a decision is made just before.
    """
    assert living.stderr is not None
    said = ""
    if chance.random() < WATCHING:
        for line in living.stderr:
            said += line
            if '"watching"' in line:
                break
        time.sleep(chance.uniform(0, LIVES))
    else:
        time.sleep(chance.uniform(0, STARTING))
    if chance.random() < HURRIED:
        deciding.hurry()
        time.sleep(chance.uniform(0, 0.1))
    living.kill()
    rest = living.communicate()[1]
    return said + rest, living.returncode


def _moment(said: str) -> str:
    if '"watching"' in said:
        return "while watching"
    return "while catching up" if '"loaded"' in said else "before the store was loaded"


def main() -> None:
    """Run it and print the result."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10**6))
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        report = torment(Path(folder), told.kills, told.seed)
    sys.stdout.write("\n".join([f"seed                  {told.seed}", *report.lines(), ""]))
    sys.exit(0 if report.good else 1)


if __name__ == "__main__":
    main()
