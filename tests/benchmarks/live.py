"""Benchmark of watching: ``python -m tests.benchmarks.live`` prints a table; ``--sizes 100 1000`` changes the sizes.

A station in one process watches series that close in the same second, with all nine setups on. It asks an HTTP server
in another process on the same machine for two bars of each: the last one it knows, and the new one. What it finds goes
to a broker, mosquitto. Before each close the station is restarted on a store with 500 bars of every series; the last of
these were searched for setups. The bars are made to contain setups: about one series in seven has an event at a close.

The same run measures the least that such a close could cost on this machine: parsing the same answers, and committing
the bytes that the station committed in one transaction of SQLite; and for a start, reading and unpacking all that is
stored. Times are real; they depend on the machine and its load, so processor time is compared as well. At the last
close, a second thread samples where the time goes.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from scanner.analysis.door.known_setups import known
from scanner.wording.tables import table
from tests.adapters.servers import HOST, mosquitto
from tests.benchmarks.filled import CLOSES, STORED, TAPE, close_of, fill, name, window
from tests.benchmarks.least import Before, least
from tests.benchmarks.measures import Measures
from tests.laws import QUARTER_HOUR

__all__ = ["CONFIG", "SETUPS", "STORED", "close_of", "fill", "name"]

SIZES = (100, 1_000, 10_000)
WANTED = {1_000: (8.0, None), 10_000: (6.0, 8.0)}
"""By number of series: how many times the least a close may take until it is committed and until acknowledged."""
SECOND = 1_000_000_000
CONFIG = """
[station]
name = "loft"

[account]
equity = 50000
currency = "EUR"

[feeds.server]
type = "http_json"
url = "http://127.0.0.1:{port}/bars"
query = {{ symbols = "{{symbols}}", since = "{{since:s}}" }}
symbols_per_request = 1000
symbol = "of"
time_unit = "s"
settle = 0

[sinks.broker]
type = "mqtt"
host = "{host}"
port = {broker}
station = "loft"

[defaults]
feed = "server"
calendar = "24/7"
timeframes = ["15m"]
step = "0.01"
currency = "EUR"

"""
SETUPS = "".join(f"[setups.{name}]\n" for name in known())


class Handler(BaseHTTPRequestHandler):
    """Gives the bars of the requested symbols since a time, from texts made beforehand."""

    protocol_version = "HTTP/1.1"
    rows: dict[str, list[str]]
    opens: list[int]
    step = 0

    def do_GET(self) -> None:
        address = urlsplit(self.path)
        query = parse_qs(address.query)
        body = b"{}"
        if address.path == "/step":
            Handler.step = int(query["to"][0])
        else:
            since = int(query["since"][0])
            kept = [place for place, opened in enumerate(self.opens) if opened >= since and place <= self.step]
            names = query["symbols"][0].split(",")
            body = ("[" + ",".join(self.rows[name][place] for name in names for place in kept) + "]").encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def serve(size: int) -> None:
    """Serve the last stored bar of each series and those after it."""
    Handler.opens = [int(opened) // SECOND for opened in TAPE.open_time[STORED - 1 : STORED + CLOSES]]
    Handler.rows = {name(number): _texts(number) for number in range(size)}
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    print(server.server_port, flush=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    sys.stdin.read()  # until the parent ends


def _texts(number: int) -> list[str]:
    bars = window(number, STORED - 1, STORED + CLOSES)
    keys = ("time", "open", "high", "low", "close", "volume")
    columns = [(bars.open_time // SECOND).tolist(), *(column.tolist() for column in bars.columns()[2:])]
    return [
        json.dumps(
            {"of": name(number)} | {key: value for key, value in zip(keys, row, strict=True) if not math.isnan(value)}
        )
        for row in zip(*columns, strict=True)
    ]


def measure(folder: Path, size: int, broker: int) -> list[dict[str, float]]:
    """Start a station before each close; gives the figures of each, and the least that it could have taken."""
    words = [sys.executable, "-m", "tests.benchmarks.live", "--serve", str(size)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert server.stdin is not None
        port = int(server.stdout.readline())
        config = folder / f"{size}.toml"
        listed = "".join(f"[instruments.{name(number)}]\n" for number in range(size))
        config.write_text(CONFIG.format(port=port, host=HOST, broker=broker) + SETUPS + listed)
        os.environ["CLOSEWATCH_STATION__STORE"] = f"{size}.db"
        fill(config, size)
        found = []
        for number in range(CLOSES):
            before = Before.of(folder / f"{size}.db")
            _request(port, f"/step?to={number + 1}")
            close = close_of(STORED + number)
            child = [sys.executable, "-m", "tests.benchmarks.live_child", str(config), str(close)]
            child += ["2"] + ["--shares"] * (number == CLOSES - 1)
            done = subprocess.run(child, stdout=subprocess.PIPE, text=True, check=True, timeout=300 + size / 100)
            answers = [_request(port, path) for path in _paths(size, close_of(STORED + number - 1))]
            found.append(json.loads(done.stdout) | least(folder / f"{size}.db", before, answers, close))
        server.stdin.close()
    return found


def _paths(size: int, last: int) -> list[str]:
    """Give the addresses that a station requests after the bar that closed at a time."""
    since = (last - QUARTER_HOUR) // SECOND
    parts = [range(begin, min(begin + 1_000, size)) for begin in range(0, size, 1_000)]
    return [f"/bars?symbols={','.join(map(name, part))}&since={since}" for part in parts]


def _request(port: int, path: str) -> bytes:
    from urllib.request import urlopen  # noqa: PLC0415 - for the parent alone

    with urlopen(f"http://127.0.0.1:{port}{path}") as answer:
        body: bytes = answer.read()
    return body


def row(size: int, found: list[dict[str, float]]) -> tuple[str, ...]:
    """Format the figures of closes of one size, the best and the worst of each."""

    def span(key: str, unit: str, scale: float = 1, places: int = 2) -> str:
        values = sorted(each[key] * scale for each in found)
        return f"{values[0]:.{places}f} to {values[-1]:.{places}f} {unit}".rstrip()

    assert all(each["series"] == size for each in found), "not every series was brought on"
    return (
        f"{size:,}",
        span("committed", "s"),
        span("acknowledged", "s"),
        span("floor", "s", places=3),
        span("bytes", "MB", 1e-6, 1),
        span("events", "", places=0),
        span("used", "s"),
        span("resident", "MB", 1e-6, 0),
        span("ready", "s"),
        span("read", "s"),
        span("idle", "%", 100),
    )


def told(measures: Measures, size: int, found: list[dict[str, float]]) -> None:
    """Compare closes of one size with the least; the best of each figure counts."""
    committed, acknowledged = WANTED.get(size, (None, None))

    def best(key: str) -> float:
        return min(each[key] for each in found)

    what = f"{size:,} series"
    measures.add(f"{what} committed, against the least", best("committed") / best("floor"), "{:.1f} x", most=committed)
    measures.add("    of the processor alone", best("used") / best("floor_used"), "{:.1f} x")
    measures.add(f"{what}, p99 acknowledged", best("acknowledged") / best("floor"), "{:.1f} x", most=acknowledged)
    if size == max(WANTED):
        measures.add("start to ready, against reading", best("ready") / best("read"), "{:.1f} x", most=2.0)
        measures.add("resident", best("resident") / 1e6, "{:.0f} MB", most=350.0)


def main() -> None:
    """Measure and print; ends with 1 on a miss."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--serve", type=int)
    words = parser.parse_args()
    if words.serve is not None:
        serve(words.serve)
        return
    begun, measures, lines, shares = time.monotonic(), Measures(), [], []
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder)) as broker:
        for size in words.sizes:
            *found, looked_at = measure(Path(folder), size, broker.port)
            lines.append(row(size, found))
            told(measures, size, found)
            parts = " · ".join(f"{step} {part:.0%}" for step, part in looked_at["shares"].items())  # type: ignore[attr-defined]  # the only figure that is none
            shares.append(f"{size:,} series, where the time goes: {parts}")
    heads = ["series", "committed", "p99 acknowledged", "the least", "written", "events", "CPU until committed"]
    heads += ["resident", "start to ready", "reading", "idle CPU"]
    print("\n".join([*table(heads, lines, left=(0,)), "", *shares, "", *measures.lines()]))
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; {time.monotonic() - begun:.0f} s")
    raise SystemExit(measures.missed(1.0))


if __name__ == "__main__":
    main()
