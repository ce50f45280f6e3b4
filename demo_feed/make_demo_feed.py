"""Make the demo feed: bars of invented instruments on an invented exchange, with planted cases.

Nothing in it ever happened. Run from the project's folder, ``python -m demo_feed.make_demo_feed [FOLDER]`` writes the
files beside this script, or into another folder; the same seeds give the same files byte for byte.
"""

from __future__ import annotations

import sys
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from demo_feed.decoy_cases import BEFORE_WARM, DECOYS, ON_HOLD
from demo_feed.exchange import QUOTED, halve, open_market
from demo_feed.found_cases import FOUND
from demo_feed.planted_words import about_case, about_series, as_toml
from demo_feed.planting import FIRST_END, Order, Planted, plant, plant_all
from demo_feed.rule_check import WARM_UP
from demo_feed.torn_ledger import torn_ledger

if TYPE_CHECKING:
    from numpy.random import Generator

    from demo_feed.case import Case
    from demo_feed.exchange import Market, Quoted
    from demo_feed.rule_check import Flags, Tape

ABOUT = (
    "Invented bars of an invented instrument on the invented Tallow Quay Exchange, made by make_demo_feed.py; "
    "no such market exists and nothing in them ever happened."
)
DEAL_SEED = 5
WARM_DECOYS = {"GLOWKELP": 1, "SALTLAMP": -1}
"""Where a setup stands before the series is warm, and in which direction."""


def deal() -> dict[str, list[Order]]:
    """Deal every case, once for each direction, among the instruments that can take it."""
    rng = np.random.Generator(np.random.PCG64(DEAL_SEED))
    orders = [Order(case, sign) for case in (*FOUND, *DECOYS) for sign in (1, -1)]
    shuffled = [orders[number] for number in rng.permutation(len(orders)).tolist()]
    hands: dict[str, list[Order]] = {quoted.symbol: [] for quoted in QUOTED}
    # Cases that only some instruments can take come first.
    able_to_take = {order: [quoted for quoted in QUOTED if _can_take(quoted, order.case)] for order in shuffled}
    for order, able in sorted(able_to_take.items(), key=lambda each: len(each[1])):
        emptiest = max(able, key=lambda quoted: (quoted.cases - len(hands[quoted.symbol])) / quoted.cases)
        hands[emptiest.symbol].append(order)
    return {symbol: [hand[number] for number in rng.permutation(len(hand)).tolist()] for symbol, hand in hands.items()}


def _can_take(quoted: Quoted, case: Case) -> bool:
    around_the_clock = quoted.calendar in {"24/7", "24/5"}
    if (case.where != "anywhere" and around_the_clock) or (case.rare and not around_the_clock):
        return False
    has_volume = quoted.character.volume > 0
    return case.volume == "with or without" or has_volume == (case.volume == "with volume")


def make_instrument(quoted: Quoted, orders: list[Order]) -> tuple[Market, list[Planted]]:
    """Let an instrument trade and plant its cases."""
    rng = np.random.Generator(np.random.PCG64(quoted.seed))
    market = open_market(quoted, rng)
    breaks = market.times.after_break
    early = []
    if quoted.symbol in WARM_DECOYS:
        early.append(_must(BEFORE_WARM, WARM_DECOYS[quoted.symbol], market.tape, (FIRST_END, WARM_UP - 1), breaks, rng))
    if not market.split:
        return market, early + plant_all(orders, market.tape, WARM_UP + 50, breaks, rng)
    # The bars from the split on are a series of their own: the one before is forgotten.
    split, half = market.split, round(len(orders) * market.split / len(market.tape))
    done = plant_all(orders[:half], market.tape.taken(slice(split)), WARM_UP + 50, breaks[:split], rng)
    halve(market.tape, split)
    rest = market.tape.taken(slice(split, None))
    later = [
        _must(ON_HOLD, 1, rest, (FIRST_END, FIRST_END + 50), breaks[split:], rng),
        _must(ON_HOLD, -1, rest, (FIRST_END + 60, WARM_UP - 1), breaks[split:], rng),
        *plant_all(orders[half:], rest, WARM_UP + 50, breaks[split:], rng),
    ]
    return market, done + [planted.moved(split) for planted in later]


def _must(case: Case, sign: int, tape: Tape, stretch: tuple[int, int], breaks: Flags, rng: Generator) -> Planted:
    planted = plant(case, sign, tape, stretch, breaks, rng)
    if planted is None:
        raise ValueError(f"no moment was found for {case.name}; give the instrument another seed")
    return planted


def table(quoted: Quoted, market: Market) -> pa.Table:
    """Give the bars as a table: open time in UTC, prices as the decimals nearest to them, volume where there is one."""
    step = Decimal(quoted.step)
    columns = {"time": pa.array(market.times.opens * 1_000, pa.timestamp("ms", tz="UTC"))}
    tape = market.tape
    for name, steps in (("open", tape.open), ("high", tape.high), ("low", tape.low), ("close", tape.close)):
        values, places = np.unique(steps, return_inverse=True)
        columns[name] = pa.array(np.array([float(step * value) for value in values.tolist()])[places])
    if not np.isnan(tape.volume).any():
        columns["volume"] = pa.array(tape.volume.astype(np.int64))
    return pa.table(columns).replace_schema_metadata({"about": ABOUT, "instrument": quoted.symbol})


def _write_whole(path: Path, content: bytes) -> None:
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    part.replace(path)


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


def make(folder: Path) -> None:
    """Write every file of the demo feed into a folder."""
    hands = deal()
    cases, series = [], []
    for quoted in QUOTED:
        market, planted = make_instrument(quoted, hands[quoted.symbol])
        cases += [about_case(quoted, market.times, each) for each in sorted(planted, key=lambda each: each.end)]
        series += about_series(quoted.symbol, market)
        _write_whole(folder / f"{quoted.symbol}.parquet", _as_parquet(table(quoted, market)))
        print(f"{quoted.symbol}: {len(market.tape):,} bars, {len(planted)} planted cases")
    lines, damage = torn_ledger()
    _write_whole(folder / "TORNLEDGER.csv", ("\n".join(lines) + "\n").encode())
    _write_whole(folder / "planted.toml", as_toml(cases, series, damage).encode())


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
