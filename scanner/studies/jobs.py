"""The jobs of a study: one per instrument, each a plain value that any process can do. Some together give parts."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from scanner.cycles import no_search_for_cycles
from scanner.replays.recordings import Reading, begun, recordings, survey
from scanner.replays.replay import ReplayError, Tally, checked_blocks
from scanner.studies.checked import CheckedRows
from scanner.studies.kept.marks import HOUSE, mark_of, marks_of
from scanner.studies.schema import StudyFile
from scanner.studies.stories.collecting import Asked, collect_together

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from scanner.market.bars import Bars, RawBars
    from scanner.market.guard import Checked
    from scanner.pipeline import Inputs
    from scanner.ports import UnderstoodFile
    from scanner.replays.replay import Recording
    from scanner.studies.parts import Part

TOGETHER, MOST_BYTES = 32, 1 << 24
"""Instruments that are studied together at most, and the bytes of their files: few enough to fit into memory."""

CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Job:
    """The bars of one instrument: in ``files`` that hold nothing else, or as ``rows`` read already.

    ``marks`` are those of the files whose rows were read. ``key`` is made of everything that its part depends on.
    """

    instrument: str
    files: tuple[Path, ...]
    rows: tuple[RawBars, ...]
    reading: Reading
    asked: Asked
    key: str
    marks: tuple[StudyFile, ...] = ()


@dataclass(frozen=True, slots=True)
class Done:
    """The result of some jobs: their number, parts as bytes, and a sentence for each instrument left out."""

    jobs: int
    parts: tuple[bytes, ...]
    troubles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Given:
    symbol: str
    path: Path
    rows: Sequence[RawBars]

    @property
    def bars(self) -> Iterator[RawBars]:
        return iter(self.rows)

    def again(self) -> Iterator[RawBars]:
        return iter(self.rows)

    def understood(self) -> Sequence[UnderstoodFile]:
        return ()


@dataclass(slots=True)
class _Opened:
    """The bars of a job, ready to be studied; ``trouble`` says why they cannot be, empty so far."""

    job: Job
    inputs: Inputs | None = None
    blocks: Iterable[tuple[RawBars, Checked]] = ()
    counts: dict[str, Tally] = field(default_factory=dict)
    """Counts of the rows so far, by file."""
    marks: tuple[StudyFile, ...] = ()
    trouble: str = ""

    def open(self) -> None:
        """Read the first rows. An unreadable file gives a sentence, not an exception."""
        job = self.job
        with noted(self._give_up):
            path = job.files[0] if job.files else Path(job.instrument)
            recording: Recording = _Given(job.instrument, path, job.rows)
            self.marks = job.marks
            if not job.rows:
                self.marks = tuple(map(marked, job.files))
                (recording,) = recordings(job.files, job.reading)
            tally = Tally(recording.symbol, str(recording.path))
            self.inputs, chunks = begun(job.reading, recording, tally)
            self.blocks = checked_blocks(chunks, self.inputs.guard(), tally)

    def bars(self) -> Iterator[Bars]:
        """Give the checked bars, up to the first trouble."""
        with noted(self._give_up):
            for raw, checked in self.blocks:
                self.counts.setdefault(raw.source, Tally(self.job.instrument, raw.source)).count(len(raw), checked)
                yield checked.bars

    def checked(self) -> tuple[CheckedRows, ...]:
        """Give the rows of each file, once all bars have been taken."""
        return tuple(
            CheckedRows(Path(source).name, each.rows, dict(each.refused), dict(each.noted))
            for source, each in self.counts.items()
        )

    def _give_up(self, trouble: str) -> None:
        self.trouble = trouble


@contextmanager
def noted(tell: Callable[[str], object]) -> Iterator[None]:
    """Tell the sentence of an error that has one for the user; any other error is raised."""
    try:
        yield
    except OSError as problem:
        why = f"it cannot be read ({problem.strerror}); leave the files as they are until a study has ended"
        tell(f"{problem.filename}: {why}")
    except (ReplayError, ValueError) as problem:
        if getattr(problem, "exit_code", None) is None:
            raise
        tell(str(problem))


def do_all(jobs: Iterable[Job]) -> Iterator[Done]:
    """Read, guard and study the bars of several instruments; gives the result of those studied together."""
    together: list[Job] = []
    size = 0
    for job in jobs:
        own = MOST_BYTES if job.rows else sum(map(_size, job.files))
        if together and (len(together) == TOGETHER or size + own > MOST_BYTES):
            yield _do(together)
            together, size = [], 0
        together.append(job)
        size += own
    if together:
        yield _do(together)


def do_bundle(jobs: Sequence[Job]) -> list[Done]:
    """Do several jobs, which are sent together so that the rules are sent only once."""
    return list(do_all(jobs))


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def _do(jobs: Sequence[Job]) -> Done:
    opened = [_Opened(job) for job in jobs]
    for each in opened:
        each.open()
    ready = {each.inputs.instrument.symbol: each for each in opened if each.inputs is not None}
    parts: list[Part] = []
    if ready:
        given = [each.inputs for each in ready.values() if each.inputs is not None]
        parts = collect_together(given, [each.bars() for each in ready.values()], jobs[0].asked).parts()
    if any(each.trouble for each in ready.values()):
        single = chain.from_iterable(part.alone() for part in parts)
        parts = [part for part in single if not ready[part.instruments[0].instrument].trouble]
    contents = []
    for part in parts:
        found = [(studied, ready[studied.instrument]) for studied in part.instruments]
        told = [replace(studied, files=each.marks, checked=each.checked(), key=each.job.key) for studied, each in found]
        contents.append(replace(part, instruments=tuple(told)).to_bytes())
    return Done(len(jobs), tuple(contents), tuple(each.trouble for each in opened if each.trouble))


@dataclass(frozen=True, slots=True)
class Files:
    """The inputs of a study: files with a single instrument, by instrument, files with several, and troubles."""

    alone: dict[str, tuple[Path, ...]]
    shared: tuple[Path, ...]
    troubles: tuple[str, ...]

    @property
    def all(self) -> list[Path]:
        """Every file that can be read."""
        return [*(path for paths in self.alone.values() for path in paths), *self.shared]


def look_at(paths: Sequence[Path], reading: Reading) -> Files:
    """Find out which files hold which instruments. An unreadable file is a trouble and does not stop the study."""
    alone: dict[str, list[Path]] = {}
    shared: list[Path] = []
    troubles: list[str] = []
    with no_search_for_cycles():
        for path, instrument, trouble in survey(paths, reading):
            if trouble:
                troubles.append(trouble)
            elif instrument is None:
                shared.append(path)
            else:
                alone.setdefault(instrument, []).append(path)
    return Files({name: tuple(paths) for name, paths in alone.items()}, tuple(shared), tuple(troubles))


def jobs_of(files: Files, reading: Reading, asked: Asked, troubles: list[str]) -> Iterator[Job]:
    """Give the jobs. Files with several instruments are read here, since their rows must be separated.

    An instrument in such a file that also has a file of its own is one series of both.
    """
    rules = _told(reading, asked)
    parted: dict[str, list[Path]] = {}
    if files.shared:
        names = set(files.alone)
        with noted(troubles.append):
            marks = tuple(map(marked, files.shared))
            for recording in recordings(files.shared, reading):
                if recording.symbol in names:
                    parted[recording.symbol] = [*files.alone[recording.symbol], *files.shared]
                    continue
                key = _key(recording.symbol, files.shared, rules)
                yield Job(recording.symbol, files.shared, tuple(recording.bars), reading, asked, key, marks)
            for name, paths in parted.items():
                (both,) = (each for each in recordings(paths, reading) if each.symbol == name)
                read = *map(marked, files.alone[name]), *marks
                yield Job(name, tuple(paths), tuple(both.bars), reading, asked, _key(name, paths, rules), read)
    for name, own in sorted(files.alone.items(), key=lambda each: -sum(map(_size, each[1]))):
        if name not in parted:  # the largest first, so that no process is left with one at the end
            with noted(troubles.append):
                yield Job(name, own, (), reading, asked, _key(name, own, rules))


def jobs_of_frames(found: Sequence[Recording], reading: Reading, asked: Asked, troubles: list[str]) -> Iterator[Job]:
    """Give the jobs for tables in memory, one per instrument; each job gets only its own table."""
    rules, frames = _told(reading, asked), reading.frames or {}
    for recording in found:
        try:
            rows = tuple(recording.bars)
        except ValueError as problem:
            troubles.append(str(problem))
            continue
        state = sha256(repr((recording.symbol, [raw.stamp_kind for raw in rows], rules)).encode())
        for raw in rows:
            for column in (raw.stamp, raw.open, raw.high, raw.low, raw.close, raw.volume):
                state.update(column.tobytes())
        own = {name: frame for name, frame in frames.items() if Path(name) == recording.path}
        key = state.hexdigest()[:32]
        yield Job(recording.symbol, (), rows, replace(reading, frames=own), asked, key)


def settings_mark(reading: Reading) -> str:
    """Mark the rules for judging and following, and the costs, independent of the files."""
    known = reading.settings
    listed = () if known is None else sorted(known.instruments)
    return mark_of(marks_of(known, reading.rulebook, ("", *listed)))


def marked(path: Path) -> StudyFile:
    """Give a file's name, its size and the SHA-256 of its content."""
    found, size = sha256(), 0
    with path.open("rb") as stream:
        while part := stream.read(CHUNK):
            found.update(part)
            size += len(part)
    return StudyFile(path.name, size, found.hexdigest())


def _told(reading: Reading, asked: Asked) -> str:
    """Mark everything that a part depends on apart from its files."""
    known = reading.settings
    return mark_of(
        _program(),
        settings_mark(reading),
        (reading.tz, reading.stamp, reading.time_format, reading.decimal, reading.columns),
        (reading.calendar, reading.step, tuple(reading.timeframes)),
        (reading.currency, reading.account),
        None if known is None else known.mark,
        asked,
    )


def _key(instrument: str, files: Sequence[Path], rules: str) -> str:
    found = [(path.name, path.stat()) for path in files]
    states = [(name, each.st_dev, each.st_ino, each.st_size, each.st_mtime_ns) for name, each in found]
    return mark_of(instrument, states, rules)


@cache
def _program() -> str:
    """Mark the program itself: parts made by another version of it are made again."""
    state = sha256()
    for path in sorted(HOUSE.rglob("*.py")):
        state.update(path.read_bytes())
    return state.hexdigest()
