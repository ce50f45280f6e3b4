"""Events as rows of a table."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, get_type_hints

from pyarrow import parquet

from scanner.event_data import StoryData
from scanner.store import Batch, Said, Store
from scanner.store.upkeep.event_columns import COLUMNS, NUMBERS, columns_of
from scanner.store.upkeep.export import export
from tests.adapters.samples import BAR_CLOSE, QUARTER_HOUR, setup_event
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from pathlib import Path


def test_a_setup_has_the_levels_of_the_entry_that_is_followed() -> None:
    data = setup_event("GANNET").data
    row, entry = columns_of(data), data["entries"][data["entry_style"]]
    assert [row["objective_1"], row["objective_2"], row["objective_3"]] == list(map(float, entry["objectives"]))
    assert (row["planned_entry"], row["planned_risk"]) == (float(entry["price"]), float(entry["risk"]))
    assert (row["stop"], row["first_stop"]) == (float(data["levels"]["stop"]),) * 2
    assert (row["bar_close"], row["bar_open"]) == (BAR_CLOSE, BAR_CLOSE - QUARTER_HOUR)


def test_all_that_follows_a_setup_has_a_column() -> None:
    lists = {"pressure", "warnings"}
    unlaid = {"title", "point_value", "pressure_needed", *lists}  # words, and what never changes within a story
    assert set(get_type_hints(StoryData)) - set(COLUMNS) == unlaid


def test_an_export_lays_out_the_data_of_every_kind_of_event(tmp_path: Path) -> None:
    events = one_of_each().values()
    with Store.open(tmp_path / "kept.db", lambda: BAR_CLOSE) as store:
        store.commit(Batch(said=[Said(event) for event in events]))
        export(store, tmp_path / "out")
    rows = parquet.read_table(tmp_path / "out" / "events.parquet").to_pylist()
    assert {row["kind"] for row in rows} == {event.kind for event in events}
    for row in rows:
        data = json.loads(row["data"])
        for name in set(NUMBERS) & set(data):
            assert row[name] == (None if data[name] is None else float(data[name])), (row["kind"], name)
        if "entries" not in data and "reason" in data:
            assert row["reason"] == data["reason"]
