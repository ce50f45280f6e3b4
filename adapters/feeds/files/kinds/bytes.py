"""The bytes of a file of text, plain or gzip, whatever its encoding, as UTF-8 in blocks of whole lines."""

from __future__ import annotations

import codecs
import gzip
from dataclasses import dataclass
from os import SEEK_END
from stat import S_ISDIR, S_ISREG
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, Self, cast

from adapters.feeds.files.trouble import UnreadableFileError, reading

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

LINE_LIMIT = 1_000_000
"""No line of bars is longer; a longer line might be endless and fill the memory."""
BLOCK = 16 << 20
GZIP = b"\x1f\x8b"
UTF8_MARK = b"\xef\xbb\xbf"
BEGIN = 64
"""Bytes by which a file is recognized."""
FIRST_LINES = 100
WHOLE_ENDS = {b"", b"\n", b"\r", b'"', b"}"}
"""A file with one of these endings is not cut off within a number."""
LETTERS_OF_LATIN = 3
"""At least this many of four letters of Latin text have a zero byte in UTF-16."""


class Block(NamedTuple):
    """Whole lines of a file: the number of the first, how many there are, and their bytes, which end in a newline."""

    line: int
    lines: int
    content: bytes

    @classmethod
    def of(cls, line: int, content: bytes) -> Self:
        """Count the lines."""
        return cls(line, content.count(b"\n"), content)

    def after(self, line: int) -> Block:
        """Give the lines from a line on."""
        number, skipped, at = self.line, 0, 0
        while number + skipped < line and skipped < self.lines:
            skipped, at = skipped + 1, self.content.find(b"\n", at) + 1
        return self if not skipped else Block(number + skipped, self.lines - skipped, self.content[at:])

    def halves(self) -> tuple[Block, Block] | None:
        """Divide the lines in two; None if that is not possible."""
        middle = self.content.find(b"\n", len(self.content) // 2) + 1
        if middle in (0, len(self.content)):
            return None
        first = Block.of(self.line, self.content[:middle])
        return first, Block(self.line + first.lines, self.lines - first.lines, self.content[middle:])


class Progress:
    """Counts the bytes read of all files and calls ``on_progress`` (bytes read, bytes in all)."""

    def __init__(self, on_progress: Callable[[int, int], None] | None) -> None:
        self._tell = on_progress
        self.total = 0
        self._done = 0

    def advance(self, count: int) -> None:
        """Count more bytes read."""
        self._done += count
        if self._tell is not None:
            self._tell(self._done, self.total)


class Encoding:
    """Converts blocks of whole lines to UTF-8.

    The first letters beyond ASCII show whether a file is in UTF-8 or in Windows-1252; bytes that do not fit UTF-8 after
    that are left unchanged. ``name`` is the encoding found.
    """

    def __init__(self, name: str = "") -> None:
        self.name = name

    def utf8(self, block: bytes) -> bytes:
        """Give a block in UTF-8."""
        if block.isascii():
            return block
        if not self.name:
            self.name = "UTF-8" if _is_utf8(block) else "Windows-1252"
        return block.decode("cp1252", errors="replace").encode() if self.name == "Windows-1252" else block


def _is_utf8(block: bytes) -> bool:
    try:
        codecs.utf_8_decode(block, "strict", False)  # noqa: FBT003 - it takes no names; the last letter may be cut off
    except UnicodeDecodeError:
        return False
    return True


def utf16_of(begin: bytes) -> str:
    """Give the name of the UTF-16 encoding of the beginning of a text, empty if it is in another one."""
    if begin.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    for name, zeros in (("utf-16-le", begin[1:BEGIN:2]), ("utf-16-be", begin[:BEGIN:2])):
        if (
            len(zeros) > 1
            and zeros.count(0) * 4 >= len(zeros) * LETTERS_OF_LATIN
            and begin[:BEGIN].count(0) <= len(zeros)
        ):
            return name
    return ""


@dataclass(frozen=True, slots=True)
class ByteFile:
    """A regular file; ``packed`` if its content is gzip."""

    path: Path
    size: int
    packed: bool
    begin: bytes
    """The first bytes of the content."""
    progress: Progress
    encoding: Encoding
    open_end: bool
    """Whether its last line has no end, and so may be cut off; gzip itself shows whether a packed file is whole."""
    stays_open: bool
    """Whether it may stay open from its first look until its rows are read; not if there may be thousands."""

    @classmethod
    def of(cls, path: Path, progress: Progress, *, stays_open: bool = False) -> ByteFile:
        """Look at a file; UnreadableFileError if it is not a file or may not be read."""
        with reading(path):
            state = path.stat()
            if S_ISDIR(state.st_mode):
                raise UnreadableFileError(f"{path}: it is a folder; a folder within a folder is not looked into")
            if not S_ISREG(state.st_mode):
                raise UnreadableFileError(f"{path}: it is not a regular file; save the bars to a file first")
            with path.open("rb", buffering=0) as raw:
                begin = raw.read(BEGIN)
                packed = begin.startswith(GZIP)
                if packed:
                    raw.seek(0)
                    begin = _content(raw, packed=True).read(BEGIN)
                raw.seek(-min(2, state.st_size), SEEK_END)
                end = raw.read().strip(b"\0")[-1:]
        open_end = not packed and end not in WHOLE_ENDS
        # A packed file is read twice.
        progress.total += state.st_size * (1 + packed)
        encoding = Encoding("UTF-16" if utf16_of(begin) else "")
        return cls(path, state.st_size, packed, begin, progress, encoding, open_end, stays_open)

    def head(self) -> bytes:
        """Give the beginning of the content in UTF-8, enough for two lines; bytes that are not text stay unchanged."""
        with reading(self.path), self.path.open("rb") as raw:
            head = _content(raw, packed=self.packed).read(2 * LINE_LIMIT)
        if utf16 := utf16_of(self.begin):
            return head.decode(utf16, errors="ignore").removeprefix("\ufeff").encode()
        head = head.removeprefix(UTF8_MARK)
        return head if _is_utf8(head) else Encoding("Windows-1252").utf8(head)

    def verify(self) -> None:
        """Read a packed file once, so that no bar of a damaged or cut-off one is ever used."""
        if self.packed:
            for _ in self._parts(BLOCK, counted=True):
                pass

    def _parts(self, size: int, *, counted: bool) -> Iterator[bytes]:
        utf16 = utf16_of(self.begin)
        decode = codecs.getincrementaldecoder(utf16)(errors="replace").decode if utf16 else None
        with reading(self.path), self.path.open("rb") as raw:
            content, before = _content(raw, packed=self.packed), 0
            while part := content.read(size):
                if counted:
                    self.progress.advance(raw.tell() - before)
                    before = raw.tell()
                text = part if decode is None else decode(part).encode()
                # The last line of a file belongs to its last block, with or without an end.
                yield text + b"\n" if len(part) < size and not text.endswith(b"\n") else text

    def blocks(self, size: int = BLOCK, *, counted: bool = True) -> Iterator[Block]:
        """Give blocks of whole lines, of about ``size`` bytes; the last always ends in a newline.

        They count as progress if they are ``counted``.
        """
        line, rest = 1, b""
        for read in self._parts(size, counted=counted):
            part = read.removeprefix(UTF8_MARK) if line == 1 and not rest else read
            cut = part.rfind(b"\n") + 1
            if cut:
                block = Block.of(line, self.encoding.utf8(b"".join((rest, memoryview(part)[:cut]))))
                yield block
                line += block.lines
                rest = b""
            rest += part[cut:]
            if len(rest) > LINE_LIMIT:
                raise line_too_long(self.path, line)
        if rest:
            yield Block.of(line, self.encoding.utf8(rest + b"\n"))  # a last part as long as a block has no end yet


def _content(raw: BinaryIO, *, packed: bool) -> BinaryIO:
    return cast("BinaryIO", gzip.open(raw)) if packed else raw


def first_lines(head: bytes, path: Path) -> list[str]:
    """Give the lines at the beginning, which must include a header and a row."""
    lines: list[str] = []
    rest = head
    while rest and len(lines) < FIRST_LINES:
        raw, _, rest = rest.partition(b"\n")
        if len(raw) > LINE_LIMIT:
            raise line_too_long(path, len(lines) + 1)
        lines.append(raw.decode("utf-8", errors="backslashreplace").removesuffix("\r"))
    return lines


def line_too_long(path: Path, line: int) -> UnreadableFileError:
    """Make the error for a line that is longer than any line of bars."""
    return UnreadableFileError(
        f"{path}: line {line} is longer than {LINE_LIMIT:,} bytes, as no line of bars is; "
        "check that the file is what it should be"
    )
