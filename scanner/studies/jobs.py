"""The jobs of a study: one per instrument, each a plain value that any process can do. Its result is a part."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from scanner.replays.recordings import Reading, inputs_for, recordings, survey
from scanner.replays.replay import ReplayError, Tally, checked_blocks
from scanner.studies.collecting import Asked, collect_one
from scanner.studies.schema import StudyFile

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.market.bars import RawBars
    from scanner.market.guard import Note
    from scanner.replays.replay import Recording

HOUSE = Path(__file__).parent.parent
CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Job:
    """The bars of one instrument: in ``files`` that hold nothing else, or as ``rows`` read already.

    ``key`` is made of everything that its part depends on.
    """

    instrument: str
    files: tuple[Path, ...]
    rows: tuple[RawBars, ...]
    reading: Reading
    asked: Asked
    key: str


@dataclass(frozen=True, slots=True)
class Done:
    """The result of a job: a part as bytes, empty if the bars cannot be studied; then ``trouble`` says why."""

    key: str
    instrument: str
    part: bytes
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class _Given:
    symbol: str
    path: Path
    bars: Iterator[RawBars]


def do(job: Job) -> Done:
    """Read, guard and study the bars of one instrument. An unreadable file gives a sentence, not an exception."""
    try:
        recording: Recording = _Given(
            job.instrument, job.files[0] if job.files else Path(job.instrument), iter(job.rows)
        )
        if not job.rows:
            (recording,) = recordings(job.files, job.reading)
        chunks = iter(recording.bars)
        first = next(chunks, None)
        if first is None:
            return Done(job.key, job.instrument, b"", f"{recording.path}: it has no rows; put bars in it")
        tally = Tally(recording.symbol, str(recording.path))
        inputs = inputs_for(job.reading, recording, first, tally)
        blocks = checked_blocks(chain([first], chunks), inputs.guard(), tally, _leave)
        collected = collect_one(inputs, (checked.bars for _, checked in blocks), job.asked)
        return Done(job.key, job.instrument, collected.part.to_bytes())
    except (ReplayError, ValueError, OSError) as problem:
        if isinstance(problem, ReplayError) or getattr(problem, "exit_code", None) or isinstance(problem, OSError):
            return Done(job.key, job.instrument, b"", str(problem))
        raise


def do_all(jobs: Sequence[Job]) -> list[Done]:
    """Do several jobs, which are sent together so that the rules are sent only once."""
    return [do(job) for job in jobs]


def _leave(_: Note) -> None:
    """Say nothing of single rows."""


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
        try:
            for recording in recordings(files.shared, reading):
                if recording.symbol in names:
                    parted[recording.symbol] = [*files.alone[recording.symbol], *files.shared]
                    continue
                key = _key(recording.symbol, files.shared, rules)
                yield Job(recording.symbol, files.shared, tuple(recording.bars), reading, asked, key)
            for name, paths in parted.items():
                (both,) = (each for each in recordings(paths, reading) if each.symbol == name)
                yield Job(name, tuple(paths), tuple(both.bars), reading, asked, _key(name, paths, rules))
        except ValueError as problem:
            if getattr(problem, "exit_code", None) is None:
                raise
            troubles.append(str(problem))
    for name, own in sorted(files.alone.items(), key=lambda each: -sum(path.stat().st_size for path in each[1])):
        if name not in parted:  # the largest first, so that no process is left with one at the end
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
    """Mark the rules for judging and following, independent of the files."""
    return sha256(_rules_told(reading).encode()).hexdigest()[:32]


def marked(path: Path) -> StudyFile:
    """Give a file's name, its size and the SHA-256 of its content."""
    found, size = sha256(), 0
    with path.open("rb") as stream:
        while part := stream.read(CHUNK):
            found.update(part)
            size += len(part)
    return StudyFile(path.name, size, found.hexdigest())


def _rules_told(reading: Reading) -> str:
    known = reading.settings
    books = (
        [reading.rulebook] if known is None else [known.rulebook_of(name) for name in ("", *sorted(known.instruments))]
    )
    costs = [] if known is None else [known.costs_of(name) for name in sorted(known.instruments)]
    return repr(([book.told for book in books], costs))


def _told(reading: Reading, asked: Asked) -> str:
    """Mark everything that a part depends on apart from its files."""
    known = reading.settings
    told = (
        _program(),
        _rules_told(reading),
        (reading.tz, reading.stamp, reading.time_format, reading.decimal, reading.columns),
        (reading.calendar, reading.step, tuple(reading.timeframes)),
        (reading.currency, reading.account),
        None if known is None else (known.mark, known.dates.found),
        asked,
    )
    return sha256(repr(told).encode()).hexdigest()


def _key(instrument: str, files: Sequence[Path], rules: str) -> str:
    found = [path.stat() for path in files]
    states = [(each.st_dev, each.st_ino, each.st_size, each.st_mtime_ns) for each in found]
    return sha256(repr((instrument, states, rules)).encode()).hexdigest()[:32]


@cache
def _program() -> str:
    """Mark the program itself: parts made by another version of it are made again."""
    state = sha256()
    for path in sorted(HOUSE.rglob("*.py")):
        state.update(path.read_bytes())
    return state.hexdigest()
