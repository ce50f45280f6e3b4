"""The bytes of a file of text, plain or gzip, in blocks of whole lines."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from stat import S_ISDIR, S_ISREG
from typing import TYPE_CHECKING, BinaryIO, cast

from adapters.feeds.files.trouble import UnreadableFileError, reading

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

LINE_LIMIT = 1_000_000
"""No line of bars is longer; what is may be without end, and must not fill the memory."""
BLOCK = 16 << 20
GZIP = b"\x1f\x8b"
UTF8_MARK = b"\xef\xbb\xbf"


class Progress:
    """Counts bytes read over all files and tells ``on_progress`` (bytes read, bytes in all)."""

    def __init__(self, on_progress: Callable[[int, int], None] | None) -> None:
        self._tell = on_progress
        self.total = 0
        self._done = 0

    def advance(self, count: int) -> None:
        """Count more bytes read."""
        self._done += count
        if self._tell is not None:
            self._tell(self._done, self.total)


@dataclass(frozen=True, slots=True)
class ByteFile:
    """A regular file; ``packed`` where its content is gzip."""

    path: Path
    size: int
    packed: bool
    progress: Progress

    @classmethod
    def of(cls, path: Path, progress: Progress) -> ByteFile:
        """Look at a file; UnreadableFileError where it is none or may not be read."""
        with reading(path):
            state = path.stat()
            if S_ISDIR(state.st_mode):
                raise UnreadableFileError(f"{path}: it is a folder; a folder within a folder is not looked into")
            if not S_ISREG(state.st_mode):
                raise UnreadableFileError(f"{path}: it is no regular file; save the bars to a file first")
            with path.open("rb") as raw:
                packed = raw.read(2) == GZIP
        # A packed file is gone through twice.
        progress.total += state.st_size * (1 + packed)
        return cls(path, state.st_size, packed, progress)

    def head(self) -> bytes:
        """Give the beginning of the content, enough for two lines."""
        with reading(self.path), self.path.open("rb") as raw:
            return self._content(raw).read(2 * LINE_LIMIT).removeprefix(UTF8_MARK)

    def _content(self, raw: BinaryIO) -> BinaryIO:
        return cast("BinaryIO", gzip.open(raw)) if self.packed else raw

    def verify(self) -> None:
        """Go once through a packed file, so that no bar of a damaged or cut-off one is ever used."""
        if self.packed:
            for _ in self._parts():
                pass

    def _parts(self) -> Iterator[bytes]:
        with reading(self.path), self.path.open("rb") as raw:
            content, before = self._content(raw), 0
            while part := content.read(BLOCK):
                self.progress.advance(raw.tell() - before)
                before = raw.tell()
                yield part

    def blocks(self) -> Iterator[tuple[int, bytes]]:
        """Give blocks of whole lines, each with the number of its first line; the last always ends in a newline."""
        line, rest = 1, b""
        for read in self._parts():
            part = read.removeprefix(UTF8_MARK) if line == 1 and not rest else read
            if len(part) < BLOCK and not part.endswith(b"\n"):
                part += b"\n"  # the last line of the file belongs to the last block
            cut = part.rfind(b"\n") + 1
            if cut:
                block = rest + part[:cut]
                yield line, block
                line += block.count(b"\n")
                rest = b""
            rest += part[cut:]
            if len(rest) > LINE_LIMIT:
                raise line_too_long(self.path, line)
        if rest:
            yield line, rest + b"\n"


def line_too_long(path: Path, line: int) -> UnreadableFileError:
    """Say that a line is longer than any line of bars."""
    return UnreadableFileError(
        f"{path}: line {line} is longer than {LINE_LIMIT:,} bytes, as no line of bars is; "
        "check that the file is what it should be"
    )
