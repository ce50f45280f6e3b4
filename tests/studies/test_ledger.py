"""The ledger of looks: what counts as a look, and a file in which nothing is lost."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.studies.kept.ledger import (
    NAME,
    BarsRead,
    LedgerError,
    Look,
    StudyQuestion,
    Written,
    add,
    count_looks,
    folder_of,
    read,
)
from scanner.studies.schema import StudyFile

if TYPE_CHECKING:
    from pathlib import Path

DAY = 86_400_000_000_000
names = st.sampled_from("abc")


def bars(files: str, instruments: str, first: int = 0, last: int = 10) -> BarsRead:
    """Invent bars, by the marks of files, the names of instruments, and the first and last day."""
    told = tuple(StudyFile(f"{mark}.csv", 1, mark) for mark in files)
    return BarsRead(files=told, instruments=tuple(instruments), first=first * DAY, last=last * DAY)


def look(rules: str = "r", of: BarsRead | None = None, variants: int = 3, seed: int = 0) -> Look:
    asked = StudyQuestion(words="doji pause on 1d", rules=(rules,), timeframes=("1d",), reading="utc", seed=seed)
    return Look(at=20 * DAY + 1, asked=asked, variants=variants, bars=of or bars("a", "A"))


@st.composite
def looks(draw: st.DrawFn) -> Look:
    first = draw(st.integers(0, 8))
    of = bars(
        "".join(draw(st.sets(names, min_size=1))),
        "".join(draw(st.sets(names, min_size=1))),
        first,
        draw(st.integers(first + 1, 9)),
    )
    return look(draw(st.sampled_from("rs")), of, draw(st.integers(0, 5)), draw(st.integers(0, 1)))


@given(st.lists(looks(), max_size=6), looks(), looks())
def test_laws_of_counting(earlier: list[Look], more: Look, now: Look) -> None:
    counted = count_looks(earlier, now)
    assert 1 <= counted <= 1 + sum(1 + each.variants for each in earlier)
    assert count_looks([*reversed(earlier), *earlier], now) == counted, "order and repetition do not matter"
    assert count_looks([*earlier, now], now) == counted, "the same question of the same bars is not a new look"
    asks_else = (more.asked.key, more.bars.marks) != (now.asked.key, now.bars.marks) and more.bars.overlap(now.bars)
    alone = count_looks([more], now)
    assert alone == (2 + more.variants if asks_else else 1)
    assert counted <= count_looks([*earlier, more], now) <= counted + alone - 1
    assert more.bars.overlap(now.bars) == now.bars.overlap(more.bars)


@pytest.mark.parametrize(
    ("earlier", "counts"),
    [
        (look("s"), True),
        (look(seed=1), True),
        (look(of=bars("a", "Z", 90, 99)), False),  # the file under another name: the same question of the same bars
        (look("s", bars("a", "Z", 90, 99)), True),  # or another question
        (look(of=bars("b", "A", 9, 12)), True),  # a file that extends it has some of its bars
        (look("s", bars("b", "A", 10, 12)), False),
        (look("s", bars("b", "B")), False),
    ],
)
def test_which_studies_are_another_look_at_the_same_bars(earlier: Look, *, counts: bool) -> None:
    assert count_looks([earlier], look()) == (5 if counts else 1)


def test_lines_are_written_beside_the_bars_and_found_from_each_of_their_folders(tmp_path: Path) -> None:
    north, south = tmp_path / "north", tmp_path / "south"
    for folder in (north, south):
        folder.mkdir()
        (folder / "A.csv").write_text("")
    assert folder_of([north / "A.csv"]) == folder_of([north]) == north
    assert folder_of([north, south / "A.csv"]) == tmp_path
    hypothesis = Written(
        at=1_234_567_890_123_456_789,
        name="long",
        where={"direction": "long"},
        after=2_000_000_000_000_000_001,
        asked=look().asked,
        bars=bars("a", "A"),
    )
    assert add([north], look("first")).looks == ()
    assert add([south], hypothesis).looks == ()
    assert add([south, north], look("both")).looks == (look("first"),)
    assert '"at":"2009-02-13T23:31:30.123456789Z"' in (south / NAME).read_text()
    known = read([south / "A.csv"])
    assert (known.looks, known.hypotheses, known.troubles) == ((look("both"),), (hypothesis,), ())
    assert set(read([north, south]).looks) == {look("first"), look("both")}


def test_many_studies_at_once_lose_no_line(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        before = list(pool.map(lambda seed: add([tmp_path], look(seed=seed)), range(40)))
    assert sorted(len(each.looks) for each in before) == list(range(40)), "each sees all that were written before it"
    assert {each.asked.seed for each in read([tmp_path]).looks} == set(range(40))


@given(cut=st.integers(1, 400), foreign=st.binary(max_size=20))
def test_a_torn_or_foreign_line_is_reported_and_left_alone(
    tmp_path_factory: pytest.TempPathFactory, cut: int, foreign: bytes
) -> None:
    folder = tmp_path_factory.mktemp("bars")
    add([folder], look(seed=1))
    whole = (folder / NAME).read_bytes()
    add([folder], look(seed=2))
    torn = (folder / NAME).read_bytes()[: len(whole) + cut] + foreign
    (folder / NAME).write_bytes(torn)
    add([folder], look(seed=3))
    assert (folder / NAME).read_bytes().startswith(torn)
    known = read([folder])
    found = [each.asked.seed for each in known.looks]
    assert (found[0], found[-1]) == (1, 3)
    if 2 not in found:
        assert known.troubles[0].startswith(f"{folder / NAME}: line 2")


def test_a_ledger_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / NAME).symlink_to("/dev/full")
    (tmp_path / "taken" / NAME).mkdir(
        parents=True
    )  # has the same effect as a read-only folder, in which root may write
    for folder, reason in (("full", "No space left on device"), ("taken", "Is a directory")):
        with pytest.raises(
            LedgerError, match=rf"ledger of looks cannot be written \({reason}\); check the permissions"
        ):
            add([tmp_path / folder], look())


def test_a_line_with_no_room_left_for_all_of_it_changes_nothing(tmp_path: Path, room_for_little: int) -> None:
    add([tmp_path], look(rules="r" * (room_for_little - 500)))
    before = (tmp_path / NAME).read_bytes()
    with pytest.raises(LedgerError, match=r"cannot be written \(File too large\)"):
        add([tmp_path], look())
    assert (tmp_path / NAME).read_bytes() == before
