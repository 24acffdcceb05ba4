"""The quick way through a CSV file: blocks of columns, each text kept once.

A line with a quote is never split here: where few lines have one, they are read by themselves
(``csv_lines``) and take their places afterwards; where many have, the file is read line by line.
Every line is a row, blank, reported by the parser with its number, or one of those, and the
numbers are added up.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as arrow_csv

__all__ = ["Block", "read_blocks"]

BLOCK = 4 * 2**20  # bytes; more than the longest line that is let through
PART = 16 * 2**20  # bytes; a file is read in parts of at least this, at once
MOST_PARTS = 4


@dataclass(slots=True, kw_only=True)
class Block:
    """The rows of one part of a file.

    Attributes
    ----------
    columns : c0, c1, … as text, coded or plain; blank fields are null.
    misfits : (line, how many fields, text) of lines with another number of fields, lines counted
        within the part and without blank ones.
    """

    columns: pa.Table
    misfits: list[tuple[int, int, str]] = field(default_factory=list)

    @property
    def filled(self) -> int:
        """How many lines are not blank."""
        return int(self.columns.num_rows) + len(self.misfits)


def read_blocks(
    path: Path, *, delimiter: str, skip: int, width: int, plain: frozenset[int]
) -> list[Block] | None:
    """All rows of a text file, its quotes taken as letters.

    Parameters
    ----------
    path : UTF-8 with one kind of line end.
    delimiter : between fields.
    skip : lines before the first row.
    width : fields of a row.
    plain : places of columns whose texts hardly ever repeat.

    Returns
    -------
    One block per part of the file, in order; None where this reader cannot read it.
    """
    if width < 2 or not delimiter.isascii():
        return None
    cuts = _cuts(path, skip)
    spans = list(pairwise(cuts))
    try:
        with ThreadPoolExecutor(max(1, len(spans))) as pool:
            return list(pool.map(lambda span: _read(path, span, delimiter, width, plain), spans))
    except pa.ArrowInvalid:
        return None


def _cuts(path: Path, skip: int) -> list[int]:
    """Where to cut the rows of a file into parts, each at the start of a line."""
    size = path.stat().st_size
    with path.open("rb") as handle:
        for _ in range(skip):
            handle.readline()
        cuts = [handle.tell()]
        rest = size - cuts[0]
        count = max(1, min(os.cpu_count() or 1, MOST_PARTS, rest // PART))
        for at in range(1, count):
            handle.seek(cuts[0] + rest * at // count)
            handle.readline()
            if cuts[-1] < handle.tell() < size:
                cuts.append(handle.tell())
    return [*cuts, size] if size > cuts[-1] else cuts


def _read(path: Path, span: tuple[int, int], delimiter: str, width: int,
          plain: frozenset[int]) -> Block:  # fmt: skip
    names = [f"c{at}" for at in range(width)]
    text, coded = pa.string(), pa.dictionary(pa.int32(), pa.string())
    types = {name: text if at in plain else coded for at, name in enumerate(names)}
    misfits: list[tuple[int, int, str]] = []

    def misfit(row: arrow_csv.InvalidRow) -> str:
        misfits.append((row.number, row.actual_columns, row.text.rstrip("\r")))
        return "skip"

    with pa.OSFile(str(path)) as handle:
        reader = arrow_csv.open_csv(
            handle.get_stream(span[0], span[1] - span[0]),
            read_options=arrow_csv.ReadOptions(
                use_threads=False, block_size=BLOCK, column_names=names
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=delimiter, quote_char=False, double_quote=False, escape_char=False,
                newlines_in_values=False, ignore_empty_lines=True, invalid_row_handler=misfit,
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=types, null_values=[""], strings_can_be_null=True,
            ),
        )  # fmt: skip
        return Block(columns=reader.read_all(), misfits=misfits)
