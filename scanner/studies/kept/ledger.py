"""The ledger of looks: what was asked of which bars, and what was recorded before looking.

It is a file of JSON lines beside the bars, to which each study adds one. A line is added under a lock, as a whole, and
none is ever changed. Unreadable lines are reported and left alone.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, TypeAdapter, ValidationError

from scanner.studies.figures.results import Hypothesis
from scanner.studies.kept.values import Moment, Value
from scanner.studies.schema import StudyFile  # noqa: TC001 - pydantic reads the annotations

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

NAME = ".closewatch-ledger.jsonl"
"""The leading dot keeps it from being read as a file of bars."""


class LedgerError(Exception):
    """The ledger cannot be read or written; the message is one sentence that says where and why."""

    exit_code = 2


class BarsRead(Value):
    """Which bars were looked at: ``first`` is the first opening among them, ``last`` the last close."""

    files: tuple[StudyFile, ...]
    instruments: tuple[str, ...]
    first: Moment
    last: Moment

    @property
    def marks(self) -> frozenset[str]:
        """The marks of the files, which identify them whatever their names."""
        return frozenset(each.mark for each in self.files)

    def overlap(self, other: BarsRead) -> bool:
        """Whether both have bars in common: of one file, or of one instrument at the same time."""
        if self.marks & other.marks:
            return True
        at_once = self.first < other.last and other.first < self.last
        return at_once and not set(self.instruments).isdisjoint(other.instruments)


class StudyQuestion(Value):
    """What was asked: in ``words``, and in the values that identify the question.

    ``rules`` are the marks of all rules and costs, ``reading`` is the mark of how files were read. ``seed`` is the seed
    of the random draws.
    """

    words: str
    rules: tuple[str, ...]
    timeframes: tuple[str, ...]
    reading: str
    seed: int = 0

    @property
    def key(self) -> object:
        """What makes two questions the same, whatever their words."""
        return self.rules, self.timeframes, self.reading, self.seed

    def is_within(self, other: StudyQuestion) -> bool:
        """Whether it shares rules and timeframes with the other."""
        return (
            set(self.rules) <= set(other.rules)
            and set(self.timeframes) <= set(other.timeframes)
            and self.reading == other.reading
        )


class Look(Value):
    """A study: what was asked of which bars, with the number of ``variants`` of the rules."""

    kind: Literal["look"] = "look"
    at: Moment
    asked: StudyQuestion
    variants: int = Field(ge=0)
    bars: BarsRead

    @property
    def key(self) -> object:
        """What makes two studies the same question of the same bars."""
        return self.asked.key, self.bars.marks


class Written(Value):
    """A hypothesis as recorded: setups for which each column of ``where`` has that value.

    It is about setups found after the moment ``after``: at ``at``, when it was recorded, their outcome could not be
    known, and the files, under ``bars``, had no bar of it.
    """

    kind: Literal["hypothesis"] = "hypothesis"
    at: Moment
    name: str
    where: dict[str, str]
    after: Moment
    asked: StudyQuestion
    bars: BarsRead


_LINE: TypeAdapter[Look | Written] = TypeAdapter(Annotated[Look | Written, Field(discriminator="kind")])


@dataclass(frozen=True, slots=True)
class Ledger:
    """The contents of ledgers, in the order of their lines; ``troubles`` say which lines cannot be read."""

    looks: tuple[Look, ...] = ()
    hypotheses: tuple[Written, ...] = ()
    troubles: tuple[str, ...] = ()

    def __add__(self, other: Ledger) -> Ledger:
        """Join two."""
        return Ledger(self.looks + other.looks, self.hypotheses + other.hypotheses, (*self.troubles, *other.troubles))


def count_looks(earlier: Iterable[Look], now: Look) -> int:
    """Count looks at the bars of a study: itself, and each other question about some of them, with its variants.

    The same question of the same bars is not a new look, however often it is asked.
    """
    others: dict[object, int] = {}
    for each in earlier:
        if each.key != now.key and each.bars.overlap(now.bars):
            others[each.key] = max(others.get(each.key, 0), 1 + each.variants)
    return 1 + sum(others.values())


def to_judge(ledger: Ledger, now: Look) -> tuple[tuple[Hypothesis, ...], tuple[Written, ...]]:
    """Give the hypotheses that a study tests, and those that it does not, because they are for other rules.

    Another study of some of its bars is a look at a hypothesis if it had bars late enough to test it.
    """
    judged, others = [], []
    for each in ledger.hypotheses:
        if not now.asked.is_within(each.asked):
            others.append(each)
            continue
        earlier = {
            look.key
            for look in ledger.looks
            if look.asked.is_within(each.asked) and look.bars.last > each.after and look.bars.overlap(now.bars)
        }
        looks = 1 + len(earlier - {now.key})
        judged.append(Hypothesis(each.name, each.after, tuple(sorted(each.where.items())), looks))
    return tuple(judged), tuple(others)


def folder_of(paths: Sequence[Path]) -> Path:
    """Give the folder that contains all studied files, and their ledger."""
    return Path(os.path.commonpath(_folders(paths)))


def read(paths: Sequence[Path], but: Path | None = None) -> Ledger:
    """Read all ledgers that may contain looks at some files: in their folders, and in all parent folders.

    A study of several folders adds its line in their common parent. ``but`` is a ledger to leave out. LedgerError if
    one cannot be read.
    """
    found = Ledger()
    around = {folder for given in _folders(paths) for folder in (given, *given.parents)}
    for path in sorted(folder / NAME for folder in around):
        if path != but and path.exists():
            with _open(path, os.O_RDONLY, fcntl.LOCK_SH) as file:
                found += _read(path, file)
    return found


def add(paths: Sequence[Path], line: Look | Written, allow: Callable[[Ledger], None] = lambda _: None) -> Ledger:
    """Add a line to the ledger of some files; return the previous contents of their ledgers.

    ``allow`` gets those before the line is written, and may raise. LedgerError if nothing can be written; then the
    ledger is unchanged.
    """
    path = folder_of(paths) / NAME
    # Before locking, since two studies that each hold a ledger must not wait for each other.
    others = read(paths, but=path)
    with _open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, fcntl.LOCK_EX) as file:
        before = _read(path, file) + others
        allow(before)
        _append(path, file, line.model_dump_json().encode() + b"\n")
    return before


def _append(path: Path, file: int, line: bytes) -> None:
    size = os.fstat(file).st_size
    try:
        if size and os.pread(file, 1, size - 1) != b"\n":
            line = b"\n" + line  # a line that was cut off is left alone
        while line:
            line = line[os.write(file, line) :]
        os.fsync(file)
    except OSError as problem:
        with suppress(OSError):
            os.ftruncate(file, size)
        raise _trouble(path, "written", problem) from problem


def _folders(paths: Sequence[Path]) -> list[Path]:
    """Give the folders of some paths, with links followed."""
    there = [path.resolve() for path in paths if path.exists()]
    return [path if path.is_dir() else path.parent for path in there]


@contextmanager
def _open(path: Path, flags: int, lock: int) -> Iterator[int]:
    what = "read" if flags == os.O_RDONLY else "written"
    try:
        file = os.open(path, flags | os.O_CLOEXEC, 0o666)
    except OSError as problem:
        raise _trouble(path, what, problem) from problem
    try:
        try:
            fcntl.flock(file, lock)
        except OSError as problem:
            raise _trouble(path, "locked", problem) from problem
        yield file
    finally:
        os.close(file)


def _read(path: Path, file: int) -> Ledger:
    try:
        content = os.pread(file, os.fstat(file).st_size, 0)
    except OSError as problem:
        raise _trouble(path, "read", problem) from problem
    looks, hypotheses, odd = [], [], []
    for number, text in enumerate(content.split(b"\n"), 1):
        try:
            line = _LINE.validate_json(text) if text else None
        except ValidationError:
            odd.append(number)
            continue
        if isinstance(line, Look):
            looks.append(line)
        elif line is not None:
            hypotheses.append(line)
    return Ledger(tuple(looks), tuple(hypotheses), _odd(path, odd))


def _odd(path: Path, numbers: Sequence[int]) -> tuple[str, ...]:
    if not numbers:
        return ()
    others = f" and {len(numbers) - 1:,} more" if len(numbers) > 1 else ""
    return (f"{path}: line {numbers[0]}{others} cannot be read and does not count as a look; it was not changed",)


def _trouble(path: Path, what: str, problem: OSError) -> LedgerError:
    return LedgerError(
        f"{path}: the ledger of looks cannot be {what} ({problem.strerror or problem}); "
        "check the permissions of the folder of the bars, or study a copy of it"
    )
