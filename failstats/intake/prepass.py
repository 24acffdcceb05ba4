"""A text file is looked at once, byte by byte, before DuckDB reads it.

What it is (by its first bytes), its encoding, its line ends, its SHA-256, lines with NUL bytes and
lines that are too long. A clean file is read where it is; any other is written once more as
UTF-8 with one kind of line end, line by line, so that line numbers stay those of the file.
"""

from __future__ import annotations

import codecs
import gzip
import hashlib
import os
import shutil
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from failstats.errors import InputError

__all__ = ["ENCODINGS", "TextFile", "examine", "file_hash", "refuse_wrong_magic"]

CHUNK = 4 * 2**20
LONGEST_LINE = 2**20  # bytes; a longer line goes to quarantine
UNPACKED_RATIO = 100  # a file that unpacks to more times its size is refused
UNPACKED_FREE = 2**20  # unless it is smaller than this when unpacked
UTF16_SHARE = 0.3  # share of NUL bytes at the start that says UTF-16
ENCODINGS = {
    "utf-8": "utf-8", "utf8": "utf-8", "utf-16": "utf-16", "utf-16-le": "utf-16-le",
    "utf-16-be": "utf-16-be", "latin-1": "latin-1", "iso-8859-1": "latin-1", "cp1252": "cp1252",
    "windows-1252": "cp1252", "cp850": "cp850", "cp437": "cp437", "iso-8859-15": "iso-8859-15",
}  # fmt: skip

MAGIC = (
    (b"\x1f\x8b", "a gzip file", "give it the ending .csv.gz, or unpack it first."),
    (b"PAR1", "a Parquet file", "give it the ending .parquet."),
    (b"SQLite format 3\0", "a SQLite file", "give it the ending .sqlite."),
    (b"%PDF", "a PDF", "export the table as CSV."),
    (b"\xd0\xcf\x11\xe0", "an old Excel file", "save it as .xlsx or as CSV."),
)


@dataclass(slots=True, kw_only=True)
class TextFile:
    """A text file ready to be read.

    Attributes
    ----------
    path : UTF-8 with one kind of line end, under a name without special characters.
    lines : how many lines it has, the last one with or without a line end.
    nul_lines, long_lines : numbers of the lines that cannot be used.
    free_byte : a control character that the file does not have.
    has_odd_space : it may have white space other than blanks.
    has_blank : it may have lines with nothing in them.
    """

    path: Path
    lines: int
    sha256: str
    free_byte: str
    has_quotes: bool
    has_odd_space: bool = True
    has_blank: bool = True
    nul_lines: list[int] = field(default_factory=list)
    long_lines: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Seen:
    """What one pass over the bytes counts."""

    newlines: int = 0
    returns: int = 0
    pairs: int = 0
    nuls: int = 0
    long: int = 0
    quotes: bool = False
    odd_space: bool = False
    blank: bool = False
    sha256: str = ""
    free_byte: str = ""
    lines: int = 0


def refuse_wrong_magic(path: Path) -> None:
    """Refuse a file that is named as text and is something else."""
    with path.open("rb") as handle:
        start = handle.read(512)
    found = None
    if start.startswith(b"PK\x03\x04"):
        found = _zip_kind(path)
    for magic, what, do in MAGIC:
        if start.startswith(magic):
            found = (what, do)
    text = start.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith((b"<!doctype", b"<html", b"<?xml", b"<head", b"<script")):
        found = ("a web page", "it may be a log-in page: export the table again.")
    if found:
        raise InputError(
            f"a file of records must be text, but this is {found[0]}.", where=path.name, do=found[1]
        )


def _zip_kind(path: Path) -> tuple[str, str]:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, OSError):
        names = []
    if any(name.startswith("xl/") for name in names):
        return "an Excel file", "give it the ending .xlsx, or save it as CSV."
    return "a ZIP file", "unpack it first."


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def unpack(path: Path, folder: Path) -> Path:
    """Unpack a gzip file into a folder of ours; a bomb or a truncated file is refused."""
    target = folder / f"unpacked_{len(list(folder.iterdir()))}"
    limit = max(UNPACKED_RATIO * path.stat().st_size, UNPACKED_FREE)
    size = 0
    try:
        with gzip.open(path, "rb") as packed, target.open("wb") as plain:
            while chunk := packed.read(CHUNK):
                size += len(chunk)
                if size > limit:
                    raise InputError(
                        f"a packed file must unpack to at most {UNPACKED_RATIO} times its size, "
                        "but this one is larger.",
                        where=path.name,
                        do="unpack it yourself if you trust it.",
                    )
                plain.write(chunk)
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise InputError(
            "a gzip file must be whole, but this one is damaged or cut short.",
            where=path.name,
            do="copy or export it again. Nothing was loaded.",
        ) from None
    return target


def examine(path: Path, folder: Path, *, encoding: str | None = None, label: str = "") -> TextFile:
    """Look at every byte of a text file and make it readable.

    Parameters
    ----------
    path : the file.
    folder : a private temporary folder for what has to be written anew.
    encoding : as the mapping states it; None for UTF-8, or UTF-16 with its mark.
    label : the name to show.

    Raises
    ------
    InputError : another kind of file, or text in an encoding nobody stated.
    """
    label = label or path.name
    refuse_wrong_magic(path)
    with path.open("rb") as handle:
        start = handle.read(4096)
    codec = _codec(start, encoding, label)
    seen = _scan(path, strict=codec == "utf-8", label=label)
    notes = []
    if codec != "utf-8":
        notes.append(f"{label}: read as {codec}")
    elif start.startswith(codecs.BOM_UTF8):
        notes.append(f"{label}: read as utf-8 with a byte order mark")
    one_kind = seen.returns == seen.pairs and seen.pairs in (0, seen.newlines)
    if codec == "utf-8" and not seen.nuls and not seen.long and one_kind:
        clean = folder / f"file_{len(list(folder.iterdir()))}.txt"
        try:
            os.symlink(path.resolve(), clean)
        except OSError:
            shutil.copyfile(path, clean)
        result = TextFile(path=clean, lines=seen.lines, sha256=seen.sha256,
                          free_byte=seen.free_byte, has_quotes=seen.quotes,
                          has_odd_space=seen.odd_space, has_blank=seen.blank)  # fmt: skip
    else:
        if not one_kind and codec == "utf-8":
            notes.append(f"{label}: line ends of several kinds, or CR only, are read alike")
        result = _rewrite(path, folder, codec, label)
        result.sha256 = seen.sha256
    result.notes = notes
    return result


def _codec(start: bytes, encoding: str | None, label: str) -> str:
    if encoding is not None:
        return ENCODINGS[encoding.lower()]
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if start and start.count(0) > UTF16_SHARE * len(start):
        raise InputError(
            "text must be UTF-8, but this file looks like UTF-16 without its byte order mark.",
            where=label,
            do='state it in the mapping: encoding = "utf-16-le" (or "utf-16-be").',
        )
    return "utf-8"


def _scan(path: Path, *, strict: bool, label: str) -> _Seen:
    digest = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    seen = _Seen()
    controls = set(range(1, 9)) | set(range(14, 32))
    open_line, last, pending = 0, b"", b""
    with path.open("rb") as handle:
        while chunk := handle.read(CHUNK):
            digest.update(chunk)
            seen.blank = seen.blank or (not last and chunk[:1] in (b"\n", b"\r"))
            if strict:
                try:
                    if not (chunk.isascii() and not pending):
                        decoder.decode(chunk)
                        pending = decoder.getstate()[0]
                except UnicodeDecodeError as fault:
                    line = (
                        seen.newlines
                        + chunk.count(b"\n", 0, max(fault.start - len(pending), 0))
                        + 1
                    )
                    raise _not_utf8(label, line) from None
            letters = np.frombuffer(chunk, np.uint8)
            low = np.bincount(letters[letters < 32], minlength=32)
            if low[13] or last[-1:] == b"\r":
                seen.pairs += chunk.count(b"\r\n") + (last[-1:] == b"\r" and chunk[:1] == b"\n")
            seen.newlines += int(low[10])
            seen.returns += int(low[13])
            seen.nuls += int(low[0])
            seen.quotes = seen.quotes or b'"' in chunk
            ends = letters == 10
            seen.blank = (
                seen.blank
                or bool((ends[1:] & ends[:-1]).any())
                or (last[-1:] == b"\n" and chunk[:1] in (b"\n", b"\r"))
                or (bool(low[13]) and b"\n\r" in chunk)
            )
            seen.odd_space = seen.odd_space or bool(low[9]) or not chunk.isascii()
            controls -= set(np.flatnonzero(low).tolist())
            open_line, is_long = _longest(chunk, open_line)
            seen.long += is_long
            last = chunk[-2:]
    if pending:
        raise _not_utf8(label, seen.newlines + 1)
    if not controls:
        raise InputError(
            "a file of records must be text, but this one has control characters of every kind.",
            where=label,
            do="export it again as CSV.",
        )
    seen.sha256 = digest.hexdigest()
    seen.free_byte = chr(min(controls))
    seen.lines = seen.newlines + (last[-1:] not in (b"", b"\n"))
    return seen


def _longest(chunk: bytes, open_line: int) -> tuple[int, bool]:
    """Length of the line still open after a chunk, and whether a line in it is too long."""
    first = chunk.find(b"\n")
    if first < 0:
        return open_line + len(chunk), open_line + len(chunk) > LONGEST_LINE
    if open_line + first > LONGEST_LINE:
        return len(chunk) - chunk.rfind(b"\n") - 1, True
    at = first
    while True:
        following = chunk.rfind(b"\n", at + 1, at + 2 + LONGEST_LINE)
        if following < 0:
            break
        at = following
    last = chunk.rfind(b"\n")
    return len(chunk) - last - 1, last != at or len(chunk) - last - 1 > LONGEST_LINE


def _not_utf8(label: str, line: int) -> InputError:
    return InputError(
        f"text must be UTF-8, but line {line:,} is not.",
        where=f"{label}, line {line:,}",
        do='state the encoding in the mapping, for example encoding = "latin-1" or "cp1252".',
    )


def _rewrite(path: Path, folder: Path, codec: str, label: str) -> TextFile:
    """Write a file anew, one line per line; unusable lines become blank and are listed."""
    target = folder / f"file_{len(list(folder.iterdir()))}.txt"
    result = TextFile(path=target, lines=0, sha256="", free_byte="\x01", has_quotes=False)
    controls = set(range(1, 9)) | set(range(14, 32))
    parts: list[str] = []
    size = 0

    def finish() -> None:
        nonlocal size
        result.lines += 1
        line = "".join(parts)
        if size > LONGEST_LINE:
            result.long_lines.append(result.lines)
            line = "?"
        elif "\0" in line:
            result.nul_lines.append(result.lines)
            line = "?"
        out.write(line)
        out.write("\n")
        parts.clear()
        size = 0

    def add(text: str) -> None:
        nonlocal size
        size += len(text)
        if size <= LONGEST_LINE:
            parts.append(text)
        else:
            parts.clear()

    try:
        with (
            path.open(encoding=codec, errors="strict", newline=None) as source,
            target.open("w", encoding="utf-8", newline="\n") as out,
        ):
            while text := source.read(2**20):
                result.has_quotes = result.has_quotes or '"' in text
                controls -= {code for code in controls if chr(code) in text}
                *whole, rest = text.split("\n")
                for line in whole:
                    add(line)
                    finish()
                add(rest)
            if size:
                finish()
    except UnicodeError:
        raise InputError(
            f"text must be {codec}, but line {result.lines + 1:,} or one near it is not.",
            where=label,
            do="state the right encoding in the mapping, or export the file again.",
        ) from None
    result.free_byte = chr(min(controls)) if controls else "\x01"
    return result
