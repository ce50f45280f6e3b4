"""Alerts on their way to a broker, while the station is killed and the broker restarts, again and again.

``python -m tests.service.kill_delivery --kills 200 --restarts 20`` prints the counts, and fails if an alert is lost,
overtakes another of its story, or if anything arrives that was never published. ``--seed`` chooses the moments.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from scanner.store import Store
from tests.adapters.servers import HOST, Mosquitto, mosquitto
from tests.delivery.child import A_STORY, SINK, alert

CONFIG = """allow_anonymous true
persistence true
persistence_location {folder}/
max_queued_messages 0
max_inflight_messages 0
"""
"""The broker keeps what it has confirmed over a restart, without a limit."""
SILENT = logging.getLogger("reader")
SILENT.setLevel(logging.CRITICAL)
ALL_SECONDS = 30
PACE = 0.004
"""Seconds from one alert to the next."""


@dataclass
class Report:
    """The result."""

    alerts: int
    kills: int = 0
    kills_amid: int = 0
    restarts: int = 0
    arrived: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def lost(self) -> int:
        return len({alert(number).id for number in range(self.alerts)} - set(self.arrived))

    @property
    def never_said(self) -> int:
        return len(set(self.arrived) - {alert(number).id for number in range(self.alerts)})

    @property
    def repeats(self) -> int:
        return len(self.arrived) - len(set(self.arrived))

    @property
    def out_of_order(self) -> int:
        """Count the alerts that first arrived before an earlier one of their story."""
        first = {name: place for place, name in enumerate(dict.fromkeys(self.arrived))}
        places = [first.get(alert(number).id, -1) for number in range(self.alerts)]
        return sum(
            places[number] < max(places[number - number % A_STORY : number], default=-1)
            for number in range(self.alerts)
        )

    def lines(self) -> list[str]:
        return [
            f"alerts said           {self.alerts:>6,}",
            f"kills                 {self.kills:>6,}  of which {self.kills_amid:,} while alerts waited",
            f"broker restarts       {self.restarts:>6,}",
            f"messages arrived      {len(self.arrived):>6,}",
            f"  of these repeats    {self.repeats:>6,}",
            f"ids lost              {self.lost:>6,}",
            f"ids never said        {self.never_said:>6,}",
            f"out of order          {self.out_of_order:>6,}",
            f"seconds               {self.seconds:>8.1f}",
        ]


async def listen(port: int, report: Report, ready: asyncio.Event) -> None:
    """Read all that the broker passes on, across its restarts, in one persistent session."""
    forever = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # the library annotates only part of it
    forever.SessionExpiryInterval = 0xFFFF_FFFF
    while True:
        try:
            async with aiomqtt.Client(
                HOST,
                port,
                identifier="reader",
                protocol=aiomqtt.ProtocolVersion.V5,
                clean_start=False,
                properties=forever,
                logger=SILENT,
            ) as reader:
                await reader.subscribe("closewatch/loft/setups/#", qos=1)
                ready.set()
                async for message in reader.messages:
                    assert isinstance(message.payload, bytes)
                    report.arrived.append(json.loads(message.payload)["id"])
        except aiomqtt.MqttError:
            await asyncio.sleep(0.05)


async def child(store: Path, port: int, up_to: int, alerts: int) -> asyncio.subprocess.Process:
    """Start a station and wait until it has opened its store."""
    words = ["-m", "tests.delivery.child", str(store), str(port), str(up_to), str(alerts), str(PACE)]
    process = await asyncio.create_subprocess_exec(sys.executable, *words, stdout=subprocess.PIPE)
    assert process.stdout is not None
    assert await process.stdout.readline() == b"open\n"
    return process


def waiting(store: Path) -> int:
    with Store.open(store, time.time_ns, visiting=True) as visited:
        return visited.outbox.counts().get((SINK, "waiting"), 0)


async def torment(folder: Path, broker: Mosquitto, alerts: int, kills: int, restarts: int, seed: int) -> Report:
    """Kill and restart at moments that ``seed`` chooses; give what arrived."""
    chance, report, started = random.Random(seed), Report(alerts), time.monotonic()
    store, ready = folder / "store.db", asyncio.Event()
    listening = asyncio.create_task(listen(broker.port, report, ready))
    await asyncio.wait_for(ready.wait(), ALL_SECONDS)
    restarting = set(chance.sample(range(kills), restarts))
    a_life = max(1, alerts // (kills + 1))
    for number in range(kills):
        station = await child(store, broker.port, a_life * (number + 1), alerts)
        if number in restarting:
            restart = asyncio.create_task(asyncio.to_thread(_restart, broker, chance.uniform(0, 0.1)))
            report.restarts += 1
        await asyncio.sleep(chance.uniform(0, 0.02 + 2 * a_life * PACE))
        station.send_signal(signal.SIGKILL)
        await station.wait()
        report.kills += 1
        report.kills_amid += bool(waiting(store))
        if number in restarting:
            await restart
    station = await child(store, broker.port, alerts, alerts)
    assert await asyncio.wait_for(station.wait(), ALL_SECONDS) == 0
    async with asyncio.timeout(ALL_SECONDS):
        while report.lost:  # noqa: ASYNC110 - it is a plain list that grows
            await asyncio.sleep(0.05)
    listening.cancel()
    report.seconds = time.monotonic() - started
    return report


def _restart(broker: Mosquitto, after: float) -> None:
    time.sleep(after)
    broker.stop()
    broker.start()


def run(folder: Path, alerts: int, kills: int, restarts: int, seed: int) -> Report:
    with mosquitto(folder, CONFIG.format(folder=folder)) as broker:
        return asyncio.run(torment(folder, broker, alerts, kills, restarts, seed))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    for option, usual in (("alerts", 1_000), ("kills", 200), ("restarts", 20), ("seed", 1)):
        parser.add_argument(f"--{option}", type=int, default=usual, help=f"{usual} unless given")
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        report = run(Path(folder), words.alerts, words.kills, words.restarts, words.seed)
    print("\n".join(report.lines()))  # noqa: T201 - its result
    sys.exit(bool(report.lost or report.never_said or report.out_of_order))


if __name__ == "__main__":
    main()
