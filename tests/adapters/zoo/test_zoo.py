"""The zoo: what people really have comes out as the bars that it is, or is refused with a sentence that says why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.replays.recordings import Reading, inputs_for, recordings
from scanner.replays.replay import Tally, replay
from tests.adapters.zoo import daily, intraday, refused, workbooks  # noqa: F401 - each puts its files into the zoo
from tests.adapters.zoo.animals import NAME, OUTSIDE, ZOO, Animal, Bar, days, quarters

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scanner.market.bars import Bars


@dataclass(frozen=True)
class Read:
    """What came of a file: the bars that the guard lets through, how many rows it refuses, and every event."""

    bars: list[Bar]
    refused: int
    events: tuple[bytes, ...]


def read(path: Path, animal: Animal) -> Read:
    """Read a file as a replay does."""
    path.write_bytes(animal.content)
    reading = Reading(**{"step": Decimal("0.01")} | animal.options)  # type: ignore[arg-type]  # options of all types
    (recording,) = recordings([path], reading)
    raws = list(recording.bars)
    inputs = inputs_for(reading, recording, raws[0], Tally(NAME, ""))
    pipeline = inputs.pipeline()
    checked = [pipeline.check(raw) for raw in raws]
    bars = [bar for each in checked for bar in as_bars(each.bars, whole_days=raws[0].stamp_kind == "date")]
    events = replay(inputs.pipeline(), raws, Tally(NAME, ""), lambda _: None, lambda _: None)
    lines = tuple(event.to_line() for event in events)
    return Read(bars, sum(note.refused for each in checked for note in each.notes), lines)


def as_bars(bars: Bars, *, whole_days: bool) -> Iterator[Bar]:
    for opens, _, *prices, volume in zip(*(column.tolist() for column in bars.columns()), strict=True):
        moment = datetime.fromtimestamp(opens // 10**9, UTC)
        yield Bar.of(moment.date() if whole_days else moment, prices, None if np.isnan(volume) else volume)


@cache
def read_of(name: str) -> tuple[Animal, Read]:
    animal = ZOO[name]()
    with TemporaryDirectory() as folder:
        return animal, read(Path(folder) / f"{NAME}.{animal.ending}", animal)


def test_the_zoo_is_large() -> None:
    assert len(ZOO) >= 80
    assert len(OUTSIDE) >= 40


@pytest.mark.parametrize("name", ZOO)
def test_the_bars_are_those_that_were_written(name: str) -> None:
    animal, found = read_of(name)
    assert found.bars == list(animal.bars)
    assert found.refused == animal.notes


@pytest.mark.parametrize("name", OUTSIDE)
def test_what_cannot_be_read_is_refused_with_a_sentence(tmp_path: Path, name: str) -> None:
    animal = OUTSIDE[name]()
    path = tmp_path / f"{NAME}.{animal.ending}"
    with pytest.raises(Exception) as caught:  # noqa: PT011 - its exit code and text are looked at
        read(path, animal)
    assert getattr(caught.value, "exit_code", None) == 2
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert text.endswith(animal.refused)
    assert text.isprintable()


def test_the_same_bars_give_the_same_events_however_they_are_written() -> None:
    for bars in (days(), quarters()):
        found: dict[tuple[bytes, ...], list[str]] = {}
        for name in ZOO:
            animal, own = read_of(name)
            if animal.bars == bars:
                found.setdefault(own.events, []).append(name)
        assert len(found) == 1, found.values()
        assert any(b"closewatch.setup.qualified" in line for line in next(iter(found)))
