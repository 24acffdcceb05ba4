"""One pass over the bytes of a text file: what it holds, and which lines need a second look."""

from __future__ import annotations

import codecs
import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from failstats.errors import InputError

__all__ = ["CHUNK", "CONTROLS", "LONGEST_LINE", "Marks", "Seen", "find_marks", "scan"]

CHUNK = 4 * 2**20  # bytes
LONGEST_LINE = 2**20  # bytes; a longer line goes to quarantine
CONTROLS = frozenset({*range(1, 9), *range(14, 32)})  # what no text needs
LINE_END, RETURN, TAB, QUOTE = 10, 13, 9, 34


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """Which lines of a file need a second look.

    Attributes
    ----------
    quoted, offsets : lines with a quote, and the bytes at which they start.
    blank : lines with nothing in them.
    lines : how many there are.
    """

    quoted: np.ndarray
    offsets: np.ndarray
    blank: np.ndarray
    lines: int


@dataclass(slots=True, kw_only=True)
class Seen:
    """What one pass over the bytes counts.

    Attributes
    ----------
    returns, pairs : bytes CR, and those before LF.
    nuls : NUL bytes.
    long : whether a line is longer than LONGEST_LINE.
    free_byte : a control character that the file does not have.
    """

    sha256: str
    lines: int
    newlines: int
    returns: int
    pairs: int
    nuls: int
    long: bool
    odd_space: bool
    free_byte: str
    marks: Marks


@dataclass(slots=True)
class _Lines:
    """Lines from chunks of bytes that end anywhere."""

    longest: int = 0
    number: int = 1  # of the line that is open
    start: int = 0  # the byte at which it starts
    read: int = 0
    last: int = -1  # the byte before the chunk
    quoted: list[np.ndarray] = field(default_factory=list)
    offsets: list[np.ndarray] = field(default_factory=list)
    blank: list[np.ndarray] = field(default_factory=list)

    def add(self, chunk: bytes, letters: np.ndarray) -> int:
        """Take the next chunk in; how many line ends it has."""
        ends = np.flatnonzero(letters == LINE_END)
        starts = np.concatenate(([self.start - self.read], ends + 1))  # within the chunk
        if len(ends):
            lengths = ends - starts[:-1]
            self.longest = max(self.longest, int(lengths.max()))
            short = np.flatnonzero(lengths <= 1)
            if len(short):
                before = starts[short]
                only = np.where(before < 0, self.last, letters[np.maximum(before, 0)])
                empty = short[(lengths[short] == 0) | (only == RETURN)]
                self.blank.append(empty + self.number)
        if b'"' in chunk:
            found = np.unique(np.searchsorted(ends, np.flatnonzero(letters == QUOTE)))
            self.quoted.append(found + self.number)
            self.offsets.append(starts[found] + self.read)
        self.number += len(ends)
        self.start = self.read + int(starts[-1])
        self.read += len(chunk)
        self.last = chunk[-1]
        self.longest = max(self.longest, self.read - self.start)
        return len(ends)

    def marks(self) -> Marks:
        """Where the quotes and the blank lines are."""
        none = [np.zeros(0, np.int64)]
        if self.read - self.start == 1 and self.last == RETURN:
            self.blank.append(np.array([self.number], np.int64))
        quoted, first = np.unique(np.concatenate(self.quoted or none), return_index=True)
        return Marks(
            quoted=quoted,
            offsets=np.concatenate(self.offsets or none)[first],
            blank=np.concatenate(self.blank or none),
            lines=self.number - (self.start == self.read),
        )


def find_marks(path: Path) -> Marks:
    """Look for quotes and blank lines in a whole file."""
    lines = _Lines()
    with path.open("rb") as handle:
        while chunk := handle.read(CHUNK):
            lines.add(chunk, np.frombuffer(chunk, np.uint8))
    return lines.marks()


def scan(path: Path, *, strict: bool, label: str) -> Seen:
    """Look at every byte of a text file.

    Parameters
    ----------
    path : the file.
    strict : it must be UTF-8.
    label : the name to show.

    Raises
    ------
    InputError : not UTF-8, naming the line; or no text at all.
    """
    digest = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    lines, controls = _Lines(), set(CONTROLS)
    newlines = returns = pairs = nuls = 0
    odd_space, last, pending = False, b"", b""
    with path.open("rb") as handle:
        while chunk := handle.read(CHUNK):
            digest.update(chunk)
            is_plain = chunk.isascii()
            if strict and not (is_plain and not pending):
                try:
                    decoder.decode(chunk)
                    pending = decoder.getstate()[0]
                except UnicodeDecodeError as fault:
                    before = chunk.count(b"\n", 0, max(fault.start - len(pending), 0))
                    raise _not_utf8(label, newlines + before + 1) from None
            letters = np.frombuffer(chunk, np.uint8)
            here, tabs = chunk.count(b"\r"), chunk.count(b"\t")
            if here or last == b"\r":
                pairs += chunk.count(b"\r\n") + (last == b"\r" and chunk[:1] == b"\n")
            ends = lines.add(chunk, letters)
            is_low = letters < 32
            if np.count_nonzero(is_low) != ends + here + tabs:
                controls -= set(np.unique(letters[is_low]).tolist())
                nuls += chunk.count(b"\0")
            newlines += ends
            returns += here
            odd_space = odd_space or bool(tabs) or not is_plain
            last = chunk[-1:]
    if pending:
        raise _not_utf8(label, newlines + 1)
    if not controls:
        raise InputError(
            "a file of records must be text, but this one has control characters of every kind.",
            where=label,
            do="export it again as CSV.",
        )
    marks = lines.marks()
    return Seen(
        sha256=digest.hexdigest(), lines=marks.lines, newlines=newlines, returns=returns,
        pairs=pairs, nuls=nuls, long=lines.longest > LONGEST_LINE, odd_space=odd_space,
        free_byte=chr(min(controls)), marks=marks,
    )  # fmt: skip


def _not_utf8(label: str, line: int) -> InputError:
    return InputError(
        f"text must be UTF-8, but line {line:,} is not.",
        where=f"{label}, line {line:,}",
        do='state the encoding in the mapping, for example encoding = "latin-1" or "cp1252".',
    )
