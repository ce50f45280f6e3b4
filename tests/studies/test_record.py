"""The record of a study has the same results as each kind of setup judged alone."""

from __future__ import annotations

from itertools import product
from math import ceil
from typing import TYPE_CHECKING

import pytest

from scanner.studies.figures.verdict import verdict_of
from scanner.studies.kept.keeping import record_of
from scanner.studies.kept.record import Record, RecordError, read
from tests.studies.figures.invented import invented

if TYPE_CHECKING:
    from pathlib import Path

NOW = 1_772_467_200_123_456_789


def test_each_kind_has_the_results_of_its_setups_with_other_kinds_counted_as_looks(tmp_path: Path) -> None:
    study = invented(500, 40, gain=0.3)
    rare = study.trades["id"].isin(study.trades.query("source == 'setup' and setup == 'flag'")["id"].iloc[:9])
    study.trades.loc[rare, ["setup", "direction", "timeframe"]] = ["flag", "long", "1h"]
    record = record_of(study, ["rules"], 35, NOW)
    told = [(each.setup, each.direction, each.timeframe) for each in record.kinds]
    assert told == sorted([*product(("doji_pause", "flag"), ("long", "short"), ("1d",)), ("flag", "long", "1h")])
    assert (record.at, record.first, record.last, record.looks) == (NOW, study.first, study.last, 39)
    chosen = study.trades.query("source == 'setup' and set_aside == ''").dropna(subset="net_r")
    for each in record.kinds:
        where = {"setup": each.setup, "direction": each.direction, "timeframe": each.timeframe}
        own = chosen.query(" and ".join(f"{name} == '{value}'" for name, value in where.items()))["net_r"]
        verdict = verdict_of(study, 39, where)
        assert (each.closed, each.verdict, each.low, each.high) == (
            len(own),
            verdict.kind,
            verdict.mean.low,
            verdict.mean.high,
        )
        assert (each.verdict == "too_few") == (each.timeframe == "1h") == (each.share is None) == (each.mean is None)
        if each.mean is not None:
            assert each.mean == pytest.approx(own.mean())
            assert each.share == (own > 0).mean()
            assert each.without_best == pytest.approx(own.sort_values()[: -ceil(len(own) / 100)].mean())
    (tmp_path / "record").write_bytes(record.to_bytes())
    assert read(tmp_path / "record") == record


def test_an_unreadable_record_is_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "record"
    assert read(path) is None
    whole = Record(at=0, first=0, last=0, rules=("r",), looks=1, kinds=()).to_bytes()
    for damaged, why in ((b"{", "Invalid JSON: EOF"), (whole.replace(b"looks", b"lucks"), r"looks: Field required")):
        path.write_bytes(damaged)
        with pytest.raises(RecordError, match=rf"record: the study kept there cannot be read \({why}.*make it again"):
            read(path)
    path.unlink()
    path.mkdir()
    with pytest.raises(RecordError, match="Is a directory"):
        read(path)
