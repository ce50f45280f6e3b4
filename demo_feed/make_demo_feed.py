"""Make the demo feed: bars of invented instruments on an invented exchange.

Nothing in it ever happened. Run from the project's folder, ``python -m demo_feed.make_demo_feed [FOLDER]`` writes the
files beside this script, or into another folder; the same seed gives the same files byte for byte.
"""

from __future__ import annotations

import sys
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from demo_feed.exchange import QUOTED, open_market
from demo_feed.torn_ledger import torn_ledger

if TYPE_CHECKING:
    from demo_feed.exchange import Quoted, Times
    from demo_feed.market_walk import Tape

SEED = 1
"""The first one tried, from 1 on, with which all of ``tests/test_demo_feed.py`` holds."""

ABOUT = (
    "Invented bars of an invented instrument on the invented Tallow Quay Exchange, made by make_demo_feed.py; "
    "no such market exists and nothing in them ever happened."
)


def table(quoted: Quoted, times: Times, tape: Tape) -> pa.Table:
    """Give the bars as a table: open time in UTC, prices as the decimals nearest to them, volume where there is one."""
    step = Decimal(quoted.step)
    columns = {"time": pa.array(times.opens * 1_000, pa.timestamp("ms", tz="UTC"))}
    for name, steps in zip(("open", "high", "low", "close"), tape.prices, strict=True):
        values, places = np.unique(steps, return_inverse=True)
        columns[name] = pa.array(np.array([float(step * value) for value in values.tolist()])[places])
    if not np.isnan(tape.volume).any():
        columns["volume"] = pa.array(tape.volume.astype(np.int64))
    return pa.table(columns).replace_schema_metadata({"about": ABOUT, "instrument": quoted.symbol})


def _as_parquet(bars: pa.Table) -> bytes:
    packed = {"time": "DELTA_BINARY_PACKED", "volume": "DELTA_BINARY_PACKED"}
    sink = pa.BufferOutputStream()
    parquet.write_table(
        bars,
        sink,
        compression="zstd",
        compression_level=19,
        use_dictionary=["open", "high", "low", "close"],
        column_encoding={name: encoding for name, encoding in packed.items() if name in bars.column_names},
        write_statistics=False,
        row_group_size=1 << 20,
        dictionary_pagesize_limit=1 << 24,
    )
    content: bytes = sink.getvalue().to_pybytes()
    return content


def _write_whole(path: Path, content: bytes) -> None:
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    part.replace(path)


def make(folder: Path, seed: int = SEED) -> None:
    """Write every file of the demo feed into a folder."""
    for number, quoted in enumerate(QUOTED):
        times, tape = open_market(quoted, np.random.Generator(np.random.PCG64([seed, number])))
        _write_whole(folder / f"{quoted.symbol}.parquet", _as_parquet(table(quoted, times, tape)))
    lines = torn_ledger(np.random.Generator(np.random.PCG64([seed, len(QUOTED)])))
    _write_whole(folder / "TORNLEDGER.csv", ("\n".join(lines) + "\n").encode())


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
