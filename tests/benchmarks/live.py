"""Benchmark of the watching: ``python -m tests.benchmarks.live`` prints a table; ``--sizes 100 1000`` takes others.

A station in one process watches series that close in the same second, which it asks of an HTTP server in another
process on the same machine, two bars of each: the last one it knows, and the new one. Before each close the station is
started anew on a store with 500 bars of every series. Times are real; they depend on the machine and on what else
it does.
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

import numpy as np

from scanner import settings as configuration
from scanner.market.bars import Bars, RawBars
from scanner.present.tables import table
from scanner.service.desk import Arrival, Desk
from scanner.service.store import Store
from tests.laws import QUARTER_HOUR, bars_of
from tests.outside.random_tapes import tape

SIZES = (100, 1_000, 10_000)
STORED = 500
CLOSES = 3
"""Closes that are measured, each after a new start; of each figure the best and the worst are shown."""
TAPE = bars_of(tape(7), 1_700_000_100 * 1_000_000_000 // QUARTER_HOUR * QUARTER_HOUR)
SECOND = 1_000_000_000
AT_ONCE = 500
"""Series that are put into the store together."""
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

[defaults]
feed = "server"
calendar = "24/7"
timeframes = ["15m"]
step = "0.01"
currency = "EUR"

"""


def window(number: int, begin: int, end: int) -> Bars:
    """Give bars of a series: all are parts of one tape, each from another bar on, moved to the same times."""
    first = number % (len(TAPE) - STORED - CLOSES)
    columns = [column[first + begin : first + end] for column in TAPE.columns()]
    columns[:2] = [column[begin:end] for column in TAPE.columns()[:2]]
    return Bars(*columns)


def close_of(number: int) -> int:
    return int(TAPE.close_time[number])


class Handler(BaseHTTPRequestHandler):
    """Gives the bars of the symbols asked for that opened since, from texts made before."""

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
    sys.stdin.read()  # until the parent has gone


def name(number: int) -> str:
    return f"N{number:05}"


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


def fill(config: Path, size: int) -> None:
    """Put the bars before the first close into the store, through a desk as a station does."""
    settings = configuration.load(config)
    now = close_of(STORED - 1)
    with Store.open(settings.store_path, lambda: now) as store:
        desk = Desk(settings.watched(), settings.account, store, route=lambda _: (), stale_after=0, record=False)
        desk.load()
        for begin in range(0, size, AT_ONCE):
            numbers = range(begin, min(begin + AT_ONCE, size))
            desk.take([Arrival(name(number), _raw(window(number, 0, STORED))) for number in numbers], now)


def _raw(bars: Bars) -> RawBars:
    rows = np.arange(len(bars))
    return RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, "tape")


def measure(folder: Path, size: int) -> list[dict[str, float]]:
    """Start a station before each close; gives what each told of itself."""
    words = [sys.executable, "-m", "tests.benchmarks.live", "--serve", str(size)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert server.stdin is not None
        port = int(server.stdout.readline())
        config = folder / f"{size}.toml"
        listed = "".join(f"[instruments.{name(number)}]\n" for number in range(size))
        config.write_text(CONFIG.format(port=port) + listed)
        os.environ["CLOSEWATCH_STATION__STORE"] = f"{size}.db"
        fill(config, size)
        found = []
        for number in range(CLOSES):
            _request(port, f"/step?to={number + 1}")
            child = [sys.executable, "-m", "tests.benchmarks.live_child", str(config)]
            child += [str(close_of(STORED + number)), "1"]
            done = subprocess.run(child, stdout=subprocess.PIPE, text=True, check=True, timeout=110)
            found.append(json.loads(done.stdout))
        server.stdin.close()
    return found


def _request(port: int, path: str) -> None:
    from urllib.request import urlopen  # noqa: PLC0415 - for the parent alone

    with urlopen(f"http://127.0.0.1:{port}{path}") as answer:
        answer.read()


def row(size: int, found: list[dict[str, float]]) -> tuple[str, ...]:
    def span(key: str, unit: str, scale: float = 1, places: int = 2) -> str:
        values = sorted(each[key] * scale for each in found)
        return f"{values[0]:.{places}f} to {values[-1]:.{places}f} {unit}"

    assert all(each["series"] == size for each in found), "not every series was brought on"
    return (
        f"{size:,}",
        span("committed", "s"),
        span("events", "", places=0),
        span("cpu", "s"),
        span("resident", "MB", 1e-6, 0),
        span("ready", "s"),
        span("idle", "%", 100),
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--serve", type=int)
    told = parser.parse_args()
    if told.serve is not None:
        serve(told.serve)
        return
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        lines = [row(size, measure(Path(folder), size)) for size in told.sizes]
    lines.append(("wanted for 10,000", "<= 1.0 s", "", "", "<= 600 MB", "<= 6 s", "<= 1 %"))
    heads = ("series", "close to committed", "events", "CPU", "resident", "start to ready", "idle CPU")
    print("\n".join(table(heads, lines, left=(0,))))
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; {time.monotonic() - begun:.0f} s")


if __name__ == "__main__":
    main()
