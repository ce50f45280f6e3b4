"""Mutated files of real bars: none is read wrongly in silence. ``python -m tests.mutations`` runs many more."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tests.mutations.__main__ import main
from tests.mutations.kinds import KINDS, UNSEEN, Mutated
from tests.mutations.real_files import any_file

if TYPE_CHECKING:
    from random import Random

    import pytest

SEED, SOME = "5", "24"


def misread(random: Random) -> Mutated:
    """Change nothing, and take another price for the true one."""
    file = any_file(random)
    bars = replace(file.bars[0], close=file.bars[0].open), *file.bars[1:]
    made = Mutated(file, file.content(file.cells()), "nothing", range(1), bars, file.options)
    return made if bars != file.bars else misread(random)


def test_no_mutated_file_is_read_wrongly_in_silence(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--seed", SEED, "--count", SOME]) == 0
    told = capsys.readouterr().out
    assert all(f"\n{kind}  " in told for kind in (*KINDS, *UNSEEN))


def test_what_is_read_wrongly_in_silence_is_told_with_the_way_to_see_it_again(
    capsys: pytest.CaptureFixture[str],
) -> None:
    planted = {"planted": (misread,)}
    assert main(["--seed", SEED, "--count", "1"], planted) == 1
    assert f"\nplanted: nothing: python -m tests.mutations --seed {SEED} --number 0\n" in capsys.readouterr().out
    assert main(["--seed", SEED, "--number", "0"], planted) == 1
    assert "\nwrong silently\n  not true: Bar(" in capsys.readouterr().out
