"""The journal for other programs: CSV, JSON and Parquet, a row for each entry and a column for each of its fields."""

from __future__ import annotations

import csv
from dataclasses import fields
from decimal import Decimal
from io import BytesIO, StringIO
from typing import TYPE_CHECKING, Any

import orjson

from scanner.events import rfc3339
from scanner.journal.entries import JournalEntry

if TYPE_CHECKING:
    from collections.abc import Sequence

COLUMNS = tuple(field.name for field in fields(JournalEntry))
MOMENTS = ("bar_open", "found", "decided")
DECIMALS = tuple(field.name for field in fields(JournalEntry) if "Decimal" in str(field.type))
SEVERAL = ("notes", "broken")
COMPUTED = ("=", "+", "-", "@")
"""How a text begins that a spreadsheet would compute, such as a note that came from elsewhere."""


def as_json(entries: Sequence[JournalEntry]) -> bytes:
    """Write a list of objects: times as RFC 3339 in UTC, numbers as decimal strings, null for unknown values."""
    return orjson.dumps([_plain(each) for each in entries], option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def as_csv(entries: Sequence[JournalEntry]) -> bytes:
    """Write a table in UTF-8: as ``as_json``, but unknown values empty, and several values joined by «; ».

    A text that a spreadsheet would compute begins with an apostrophe.
    """
    kept = StringIO(newline="")
    writer = csv.DictWriter(kept, COLUMNS)
    writer.writeheader()
    for each in map(_plain, entries):
        row = each | {name: "; ".join(each[name]) for name in SEVERAL}
        writer.writerow({name: _shown(value) if name not in DECIMALS else value for name, value in row.items()})
    return kept.getvalue().encode()


def _shown(value: Any) -> Any:  # noqa: ANN401 - whatever a field holds
    return f"'{value}" if isinstance(value, str) and value.startswith(COMPUTED) else value


def as_parquet(entries: Sequence[JournalEntry]) -> bytes:
    """Write a table with times in UTC, exact decimals, and lists for several values."""
    import pyarrow as pa  # noqa: PLC0415 - heavy, and only this needs it
    from pyarrow import parquet  # noqa: PLC0415 - as above

    def column(name: str) -> Any:  # noqa: ANN401 - pyarrow publishes no types
        values = [getattr(each, name) for each in entries]
        if name in MOMENTS:
            return pa.array(values, pa.timestamp("ns", tz="UTC"))
        if name in SEVERAL:
            return pa.array(map(list, values), pa.list_(pa.string()))
        if name in DECIMALS:
            return pa.array(values, None if any(each is not None for each in values) else pa.decimal128(1))
        return pa.array(values, pa.int64() if name == "bars_held" else pa.string())

    kept = BytesIO()
    parquet.write_table(pa.table({name: column(name) for name in COLUMNS}), kept, compression="zstd")
    return kept.getvalue()


def _plain(entry: JournalEntry) -> dict[str, Any]:
    return {name: _value(name, getattr(entry, name)) for name in COLUMNS}


def _value(name: str, value: Any) -> Any:  # noqa: ANN401 - whatever a field holds
    if isinstance(value, Decimal):
        return f"{value:f}"
    return rfc3339(value) if name in MOMENTS and value is not None else value
