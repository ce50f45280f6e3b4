"""Parts of a study, each on some instruments: an Arrow stream, sent between processes and kept as a file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import orjson
import pyarrow as pa
from pydantic import TypeAdapter

from scanner.arrow import numbers, texts
from scanner.studies.checked import CheckedRows, Unjudged  # noqa: TC001 - pydantic reads the annotations
from scanner.studies.schema import AROUND, SOURCES, TIME, TRADES, VERDICTS, StudyFile, Variant
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterator

KINDS = {
    "str": pa.string(),
    "category": pa.dictionary(pa.int8(), pa.string()),
    "bool": pa.bool_(),
    "int64": pa.int64(),
    "float64": pa.float64(),
    TIME: pa.timestamp("ns", tz="UTC"),
}
VARIANTS = "variants"
"""The column of a part with the numbers of the variants that have each row."""
LAYOUT = pa.schema(
    [(name, KINDS[kind]) for name, kind in TRADES.items()]
    + [(AROUND + name, KINDS["category"]) for name in NAMES]
    + [(VARIANTS, pa.list_(pa.int16()))]
)
CATEGORIES = {"source": SOURCES} | {AROUND + name: VERDICTS for name in NAMES}
"""The values that columns with few of them may have."""
ABOUT = "about"
"""The key in a stream for what is known besides the table and the variants."""


def no_trades() -> pa.Table:
    """Give a table without rows."""
    nothing = LAYOUT.empty_table()
    for name, words in CATEGORIES.items():
        column = pa.DictionaryArray.from_arrays(numbers(np.zeros(0, dtype=np.int8)), texts(words))
        nothing = nothing.set_column(LAYOUT.get_field_index(name), LAYOUT.field(name), column)
    return nothing


@dataclass(frozen=True, slots=True)
class Studied:
    """What a part says of an instrument besides its trades, of which there are ``rows``.

    ``replanned`` are the numbers of variants that change entries, stops or spoilers and not only which bars are found:
    they cannot be told from the stories here. ``bars`` counts those of the feed, ``first`` and ``last`` are the first
    opening and the last close in nanoseconds since 1970 UTC, 0 without bars. ``files`` are those from which they were
    read, and ``checked`` are their rows as the guard left them. ``unjudged`` are its series that were not judged, or
    not throughout. ``key`` is that of its job.
    """

    instrument: str
    timeframes: tuple[str, ...]
    bars: int
    first: int
    last: int
    replanned: tuple[int, ...]
    rows: int
    unjudged: tuple[Unjudged, ...] = ()
    files: tuple[StudyFile, ...] = ()
    checked: tuple[CheckedRows, ...] = ()
    key: str = ""


INSTRUMENTS = TypeAdapter(tuple[Studied, ...])


@dataclass(frozen=True, slots=True)
class Part:
    """What was found in the bars of instruments with the same variants.

    ``trades`` is a table of the columns of LAYOUT, with the rows of one instrument after the other.
    """

    instruments: tuple[Studied, ...]
    variants: tuple[Variant, ...]
    trades: pa.Table

    def alone(self) -> Iterator[Part]:
        """Give a part for each instrument."""
        begin = 0
        for each in self.instruments:
            yield replace(self, instruments=(each,), trades=self.trades.slice(begin, each.rows))
            begin += each.rows

    def to_bytes(self) -> bytes:
        """Give it as an Arrow stream; numbers are restored exactly."""
        told = {ABOUT: orjson.dumps(self.instruments), VARIANTS: orjson.dumps(self.variants)}
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
            instruments = INSTRUMENTS.validate_json(told[ABOUT.encode()])
            if sum(each.rows for each in instruments) != len(trades):
                raise ValueError("not a part of a study: it is cut off")
            return cls(instruments, _variants(told[VARIANTS.encode()]), trades.replace_schema_metadata())
        except (KeyError, TypeError, OSError) as problem:
            raise ValueError(f"not a part of a study: {problem}") from problem


@lru_cache(8)
def _variants(told: bytes) -> tuple[Variant, ...]:
    """Read variants, which are the same in most parts."""
    return tuple(Variant(**each) for each in orjson.loads(told))
