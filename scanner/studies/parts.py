"""The part of a study on one instrument: an Arrow stream, sent between processes and kept as a file."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import orjson
import pyarrow as pa

from scanner.studies.schema import AROUND, TIME, TRADES, StudyFile, Variant
from scanner.trade.surroundings import NAMES

KINDS = {
    "str": pa.string(),
    "category": pa.string(),
    "bool": pa.bool_(),
    "int64": pa.int64(),
    "float64": pa.float64(),
    TIME: pa.timestamp("ns", tz="UTC"),
}
VARIANTS = "variants"
"""The column of a part with the numbers of the variants that have each row."""
LAYOUT = pa.schema(
    [(name, KINDS[kind]) for name, kind in TRADES.items()]
    + [(AROUND + name, pa.string()) for name in NAMES]
    + [(VARIANTS, pa.list_(pa.int16()))]
)
HEAD = "head"
"""The key in a stream for everything besides the table and the variants."""


@dataclass(frozen=True, slots=True)
class Part:
    """What was found in the bars of one instrument; ``trades`` is a table of the columns of LAYOUT.

    ``replanned`` are variants that change entries, stops or spoilers and not only which bars are found: they cannot be
    told from the stories here. ``bars`` counts those of the feed, ``first`` and ``last`` are the first opening and the
    last close in nanoseconds since 1970 UTC, 0 without bars. ``files`` are those from which they were read.
    """

    instrument: str
    timeframes: tuple[str, ...]
    variants: tuple[Variant, ...]
    bars: int
    first: int
    last: int
    replanned: set[int]
    trades: pa.Table
    files: tuple[StudyFile, ...] = ()

    def to_bytes(self) -> bytes:
        """Give it as an Arrow stream; numbers are restored exactly."""
        head = (self.instrument, self.timeframes, self.bars, self.first, self.last, sorted(self.replanned))
        told = {HEAD: orjson.dumps((*head, self.files)), VARIANTS: orjson.dumps(self.variants)}
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, LAYOUT.with_metadata(told)) as stream:
            stream.write_table(self.trades)
        content: bytes = sink.getvalue().to_pybytes()
        return content

    @classmethod
    def from_bytes(cls, content: bytes) -> Part:
        """Read it back; ValueError for anything else."""
        try:
            trades = pa.ipc.open_stream(content).read_all()
            told = trades.schema.metadata
            instrument, timeframes, bars, first, last, replanned, files = orjson.loads(told[HEAD.encode()])
            about = (instrument, tuple(timeframes), _variants(told[VARIANTS.encode()]), bars, first, last)
            read = tuple(StudyFile(**each) for each in files)
            return cls(*about, set(replanned), trades.replace_schema_metadata(), read)
        except (KeyError, TypeError, OSError) as problem:
            raise ValueError(f"not a part of a study: {problem}") from problem


@lru_cache(8)
def _variants(told: bytes) -> tuple[Variant, ...]:
    """Read variants, which are the same in most parts."""
    return tuple(Variant(**each) for each in orjson.loads(told))
