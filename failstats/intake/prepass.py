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
import tempfile
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path

from failstats.errors import InputError
from failstats.intake.scan import CHUNK, CONTROLS, LONGEST_LINE, Marks, scan

__all__ = ["ENCODINGS", "TextFile", "examine", "file_hash", "new_name", "refuse_wrong_magic"]

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
    marks : its lines with a quote and its blank ones, where they are known.
    """

    path: Path
    lines: int
    sha256: str
    free_byte: str
    has_quotes: bool
    has_odd_space: bool = True
    marks: Marks | None = None
    nul_lines: list[int] = field(default_factory=list)
    long_lines: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def new_name(folder: Path, ending: str = "") -> Path:
    """A path in a folder of ours that no other thread gets."""
    handle, name = tempfile.mkstemp(dir=folder, prefix="file_", suffix=ending)
    os.close(handle)
    os.unlink(name)
    return Path(name)


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
    target = new_name(folder)
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
    seen = scan(path, strict=codec == "utf-8", label=label)
    notes = []
    if codec != "utf-8":
        notes.append(f"{label}: read as {codec}")
    elif start.startswith(codecs.BOM_UTF8):
        notes.append(f"{label}: read as utf-8 with a byte order mark")
    one_kind = seen.returns == seen.pairs and seen.pairs in (0, seen.newlines)
    if codec == "utf-8" and not seen.nuls and not seen.long and one_kind:
        clean = new_name(folder, ".txt")
        try:
            os.symlink(path.resolve(), clean)
        except OSError:
            shutil.copyfile(path, clean)
        result = TextFile(path=clean, lines=seen.lines, sha256=seen.sha256,
                          free_byte=seen.free_byte, has_quotes=bool(len(seen.marks.quoted)),
                          has_odd_space=seen.odd_space, marks=seen.marks)  # fmt: skip
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


def _rewrite(path: Path, folder: Path, codec: str, label: str) -> TextFile:
    """Write a file anew, one line per line; unusable lines become blank and are listed."""
    target = new_name(folder, ".txt")
    result = TextFile(path=target, lines=0, sha256="", free_byte="\x01", has_quotes=False)
    controls = set(CONTROLS)
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
