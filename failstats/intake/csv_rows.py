"""All rows of a CSV file as columns of text: blocks, lines with quotes and misfits put together."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa

from failstats.intake.columns import BLANKS, CODED, SPACE, filtered, tidy
from failstats.intake.csv_blocks import read_blocks
from failstats.intake.privacy import looks_identifying
from failstats.intake.scan import Marks

__all__ = ["LONGEST_KEPT", "RESUME", "Rows", "quick_rows"]

RESUME = 50  # lines; a quote not closed within them is a stray one
LONGEST_KEPT = 1000  # characters kept of a line that is not a row
QUOTED_SHARE = 0.2  # of the lines; where more have a quote, the file is read line by line
QUOTED_FREE = 20_000  # lines with a quote that cost next to nothing

Stray = Sequence[tuple[int, str | None, bool]]
Resynchronised = tuple[list[tuple[str | None, ...]], list[tuple[str, str]], set[int]]


@dataclass(slots=True, kw_only=True)
class Rows:
    """What the lines of a file became.

    Attributes
    ----------
    table : place, broken, whole_text, c0, c1, …; fields without white space around them, null
        where blank.
    lines : lines after the header that were read, blank ones too.
    filled : lines that must be a row: those that are not blank and not inside a quoted field.
    """

    table: pa.Table
    lines: int
    filled: int


@dataclass(slots=True)
class _Few:
    """Rows that were read one by one."""

    places: list[int] = field(default_factory=list)
    broken: list[str | None] = field(default_factory=list)
    texts: list[str | None] = field(default_factory=list)
    fields: list[Sequence[str | None]] = field(default_factory=list)

    def add(self, place: int, fields: Sequence[str | None] = (), *, broken: str | None = None,
            text: str | None = None) -> None:  # fmt: skip
        self.places.append(place)
        self.broken.append(broken)
        self.texts.append(text)
        self.fields.append(fields)


def quick_rows(
    path: Path,
    *,
    delimiter: str,
    header_line: int,
    width: int,
    plain: frozenset[int],
    marks: Marks,
    unusable: dict[int, str],
    keep_text: bool,
    resynchronise: Callable[[Stray, str, int, set[int]], Resynchronised],
) -> Rows | None:
    """The rows of a CSV file; None where most lines have quotes or the blocks cannot be read.

    Parameters
    ----------
    path : UTF-8 with one kind of line end.
    header_line : the line of the titles; rows follow.
    width : fields of a row.
    plain : places of columns whose texts hardly ever repeat.
    marks : its lines with a quote and its blank ones.
    unusable : line -> why it cannot be used.
    keep_text : keep the text of lines that are no rows, unless it may identify somebody.
    resynchronise : joins fields that run over lines, or gives up on one line.
    """
    if len(marks.quoted) > max(QUOTED_FREE, QUOTED_SHARE * marks.lines):
        return None
    blocks = read_blocks(
        path, delimiter=delimiter, skip=header_line, width=width, plain=plain
    )  # fmt: skip
    if blocks is None:
        return None
    blank = marks.blank[marks.blank > header_line]
    total = sum(block.filled for block in blocks) + len(blank)
    is_filled = np.ones(total, dtype=bool)
    if len(blank):
        is_filled[blank[blank <= header_line + total] - header_line - 1] = False
    numbers = np.flatnonzero(is_filled) + header_line + 1
    few, gone, taken = _Few(), set[int](), set[int]()
    if len(marks.quoted):
        gone, taken = _quoted(few, path, marks, header_line, delimiter, width, unusable,
                              keep_text, resynchronise)  # fmt: skip
    is_gone = np.zeros(header_line + total + 1, dtype=bool)
    is_gone[[place for place in gone if place < len(is_gone)]] = True
    only_spaces = []
    tables, at = [], 0
    for block in blocks:
        mine = numbers[at : at + block.filled]
        at += block.filled
        is_row = np.ones(block.filled, dtype=bool)
        for number, count, text in block.misfits:
            is_row[number - 1] = False
            place = int(mine[number - 1])
            if place in gone:
                continue
            if not text.strip(BLANKS):
                only_spaces.append(place)
            elif place in unusable:
                few.add(place, broken=unusable[place])
            else:
                few.add(place, _padded(text.split(delimiter), width),
                        broken=miscounted(count, width, delimiter),
                        text=_kept(text) if keep_text else None)  # fmt: skip
        places, columns = mine[is_row], block.columns
        if gone:
            stays = ~is_gone[places]
            places, columns = places[stays], filtered(columns, pa.array(stays))
        tables.append(_table(places, columns))
    tables.append(_few_rows(few, width, plain))
    inside = taken.difference(few.places, blank.tolist())
    table = pa.concat_tables(tables)
    for name in table.column_names[3:]:
        place = table.column_names.index(name)
        table = table.set_column(place, name, tidy(table[name]))
    filled = total - len(blank) - len(only_spaces) - len(inside)
    if len(set(few.places)) < len(few.places):
        filled = -1  # a line that became two rows
    return Rows(table=table, lines=total, filled=filled)


def _table(places: np.ndarray, columns: pa.Table) -> pa.Table:
    nothing = pa.nulls(len(places), CODED)
    whole = pa.table({"place": pa.array(places, pa.int64()), "broken": nothing,
                      "whole_text": nothing})  # fmt: skip
    for name in columns.column_names:
        whole = whole.append_column(name, columns[name])
    return whole


def _few_rows(few: _Few, width: int, plain: frozenset[int]) -> pa.Table:
    def column(texts: list[str | None]) -> pa.Array:
        return pa.array(texts, pa.string()).dictionary_encode()

    named = {"place": pa.array(few.places, pa.int64()), "broken": column(few.broken),
             "whole_text": column(few.texts)}  # fmt: skip
    for at in range(width):
        texts = [fields[at] if fields else None for fields in few.fields]
        named[f"c{at}"] = pa.array(texts, pa.string()) if at in plain else column(texts)
    return pa.table(named)


def miscounted(count: int, width: int, delimiter: str) -> str:
    """Why a line with another number of fields is no row."""
    hint = "; is a decimal comma among them?" if delimiter == "," and count > width else ""
    return f"row has {count} field{'' if count == 1 else 's'}, {width} expected{hint}"


def _kept(text: str) -> str | None:
    return None if looks_identifying(text) else text[:LONGEST_KEPT]


def _quoted(few: _Few, path: Path, marks: Marks, header_line: int, delimiter: str, width: int,
            unusable: dict[int, str], keep_text: bool,
            resynchronise: Callable[[Stray, str, int, set[int]], Resynchronised],
            ) -> tuple[set[int], set[int]]:  # fmt: skip
    """Rows from lines with quotes; the lines that blocks must not split, and those dealt with."""
    mark = re.escape(delimiter)
    one = rf'"(?:[^"]|"")*"|[^"{mark}][^{mark}]*|'
    full = re.compile(f"(?:{one})(?:{mark}(?:{one}))*")
    each = re.compile(f"{mark}({one})")
    stream: dict[int, tuple[str, bool]] = {}
    sound: list[tuple[int, str]] = []
    with path.open("rb") as handle:
        for place, offset in zip(marks.quoted.tolist(), marks.offsets.tolist(), strict=True):
            if place <= header_line:
                continue
            handle.seek(offset)
            line = _next_line(handle)
            if full.fullmatch(line):
                sound.append((place, line))
                continue
            stream[place] = (line, True)
            for at in range(place + 1, place + 1 + RESUME):
                near = _next_line(handle)
                stream.setdefault(at, (near, '"' in near and not full.fullmatch(near)))
                if not line.startswith('"') and near.count(delimiter) == width - 1:
                    break  # a row of its own: no field runs over it
    near_lines = [(place, line, malformed) for place, (line, malformed) in sorted(stream.items())]
    joined, broken, taken = resynchronise(near_lines, delimiter, width, set(unusable))
    for first, *fields in joined:
        few.add(int(first or 0), _padded(fields, width))
    for line, reason in broken:
        few.add(int(line), broken=reason)
    for place, line in sound:
        if place in taken:
            continue
        found = [_unquoted(field) for field in each.findall(delimiter + line)]
        if len(found) == width:
            few.add(place, _padded(found, width))
        else:
            few.add(place, _padded(found, width), broken=miscounted(len(found), width, delimiter),
                    text=_kept(line) if keep_text else None)  # fmt: skip
    return taken.union(marks.quoted[marks.quoted > header_line].tolist()), taken


def _next_line(handle: BinaryIO) -> str:
    return handle.readline().removesuffix(b"\n").removesuffix(b"\r").decode("utf-8")


def _unquoted(text: str) -> str:
    return text[1:-1].replace('""', '"') if text.startswith('"') else text


def _padded(fields: Sequence[str | None], width: int) -> list[str | None]:
    """As many fields as a row has, tidied."""
    tidied = [(text or "").strip(SPACE) or None for text in fields[:width]]
    return tidied + [None] * (width - len(tidied))
