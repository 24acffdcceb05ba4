"""CSV read so that no row is lost and every row knows its line.

Most files are read in blocks of columns (``csv_rows``). Where most lines have quotes, DuckDB reads
the file as plain lines in their order. A line without quotes is split in SQL. A line with quotes is
split in SQL if it is well formed, and otherwise by a splitter in Python that joins a quoted field
that runs over several lines, and gives up on one line (never more) whose quote nobody closes. A
blank line is no row. Both ways the number of rows is checked against the number of lines.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import pyarrow as pa

from failstats.errors import InputError
from failstats.intake.csv_rows import LONGEST_KEPT, RESUME, quick_rows
from failstats.intake.prepass import TextFile, examine
from failstats.intake.privacy import PATTERNS
from failstats.intake.scan import find_marks
from failstats.intake.staged import clean, put_frame

__all__ = ["DELIMITERS", "CsvFile", "open_csv"]

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
HEADER_BYTES = 2**20
NUL, TOO_LONG = "line has a NUL byte", "line is longer than 1 MB"
LINE_BYTES = 8 * 2**20  # more than the longest line that is let through


@dataclass(slots=True, kw_only=True)
class CsvFile:
    """A CSV file whose header has been read.

    Attributes
    ----------
    header : the titles as written, stripped.
    header_line : the line they stand on.
    plain : places of columns whose texts hardly ever repeat.
    in_memory : the staged rows, where they are not in a table of DuckDB's.
    """

    label: str
    text: TextFile
    delimiter: str
    header: list[str]
    header_line: int
    keep_text: bool = True
    notes: list[str] = field(default_factory=list)
    plain: frozenset[int] = frozenset()
    in_memory: pa.Table | None = None
    tried_ahead: bool = False

    @property
    def sha256(self) -> str:
        """Of the file as given."""
        return self.text.sha256

    def stage(self, connection: duckdb.DuckDBPyConnection, name: str) -> None:
        """A temporary table or view (place, broken, whole_text, c0, c1, …) of every row."""
        self.read_ahead()
        if self.in_memory is not None:
            connection.execute("select 1").fetchall()  # no result may be half read
            connection.register(name, self.in_memory)
        else:
            self._stage_lines(connection, name)

    def read_ahead(self) -> None:
        """Take the rows into memory, where the file can be read in blocks."""
        if self.tried_ahead:
            return
        self.tried_ahead = True
        text = self.text
        unusable = dict.fromkeys(text.nul_lines, NUL) | dict.fromkeys(text.long_lines, TOO_LONG)
        found = quick_rows(
            text.path, delimiter=self.delimiter, header_line=self.header_line,
            width=len(self.header), plain=self.plain,
            marks=text.marks or find_marks(text.path), unusable=unusable,
            keep_text=self.keep_text, resynchronise=_resynchronise,
        )  # fmt: skip
        if found is None:
            return
        self._same_lines(found.lines + self.header_line)
        self._same_rows(found.filled, found.table.num_rows)
        self.in_memory = found.table

    def _stage_lines(self, connection: duckdb.DuckDBPyConnection, name: str) -> None:
        lines = f"lines_of_{name}"
        connection.execute(
            f"create temp table {lines} as select row_number() over () as place, content from "
            "read_csv($path, auto_detect = false, header = false, delim = $free, quote = '', "
            "escape = '', columns = {'content': 'VARCHAR'}, max_line_size = $longest)",
            {"path": str(self.text.path), "free": self.text.free_byte, "longest": LINE_BYTES},
        )
        self._check_lines(connection, lines)
        width = len(self.header)
        columns = ", ".join(f"c{at} varchar" for at in range(width))
        connection.execute(
            f"create temp table {name} (place bigint, broken varchar, whole_text varchar, "
            f"{columns})"
        )
        unusable = self._unusable(connection, name, lines)
        taken = self._quoted(connection, name, lines) if self.text.has_quotes else ""
        connection.execute(
            f"insert into {name} with split as (select place, content, "
            f"string_split(content, $delimiter) as fields from {lines} "
            f"where place > {self.header_line} and trim(content) <> '' "
            f"and not contains(content, '\"') {unusable} {taken}) "
            f"select place, {self._miscounted()}, {self._kept()}, "
            + ", ".join(self._clean(f"fields[{at + 1}]") for at in range(width))
            + " from split",
            {"delimiter": self.delimiter},
        )
        self._check_rows(connection, name, lines)
        connection.execute(f"drop table {lines}")

    def _clean(self, field: str) -> str:
        return clean(field, odd_space=self.text.has_odd_space)

    def _check_lines(self, connection: duckdb.DuckDBPyConnection, lines: str) -> None:
        row = connection.execute(f"select count(*) from {lines}").fetchone()
        self._same_lines(row[0] if row else 0)

    def _same_lines(self, count: int) -> None:
        if count != self.text.lines:
            raise InputError(
                f"every line must be read, but {self.label} has {self.text.lines:,} lines and "
                f"{count:,} were read.",
                where=self.label,
                do="do not change the file while it loads; load it again. Nothing was changed.",
            )

    def _check_rows(self, connection: duckdb.DuckDBPyConnection, name: str, lines: str) -> None:
        """Every line that is not blank is a row, or lies inside a quoted field of one."""
        inside = ""
        if self.text.has_quotes:
            inside = (
                f"and (place in (select place from {name}) or place not in "
                f"(select cast(at_line as bigint) from taken_of_{name}))"
            )
        row = connection.execute(
            f"select (select count(*) from {lines} where place > {self.header_line} "
            f"and trim(content) <> '' {inside}), count(*), count(distinct place) from {name}"
        ).fetchone()
        assert row is not None
        self._same_rows(row[0], row[1] if row[1] == row[2] else -1)

    def _same_rows(self, lines: int, rows: int) -> None:
        if lines != rows:
            raise InputError(
                f"every line must become one row, but of {self.label} {lines:,} "
                f"lines became {rows:,} rows.",
                where=self.label,
                do="report this fault with the shape of the file. Nothing was changed.",
            )

    def _miscounted(self) -> str:
        """SQL: why a split line is no row, or null."""
        width = len(self.header)
        hint = ""
        if self.delimiter == ",":
            comma = "; is a decimal comma among them?"
            hint = f" || case when len(fields) > {width} then '{comma}' else '' end"
        return (
            f"case when len(fields) <> {width} then 'row has ' || len(fields) || "
            f"case when len(fields) = 1 then ' field, ' else ' fields, ' end || "
            f"'{width} expected'{hint} end"
        )

    def _kept(self) -> str:
        """SQL: the text of a line that is no row, unless it may identify somebody."""
        if not self.keep_text:
            return "null"
        clean = " and ".join(
            f"not regexp_matches(content, {_literal(p)})" for p in PATTERNS.values()
        )
        width = len(self.header)
        return f"case when len(fields) <> {width} and {clean} then content[:{LONGEST_KEPT}] end"

    def _unusable(self, connection: duckdb.DuckDBPyConnection, name: str, lines: str) -> str:
        """Rows for the lines that the pre-pass found unusable; SQL that leaves them out."""
        found = [(at, NUL) for at in self.text.nul_lines]
        found += [(at, TOO_LONG) for at in self.text.long_lines]
        found = [pair for pair in found if pair[0] > self.header_line]
        if not found:
            return ""
        put_frame(connection, f"unusable_of_{name}", ["at_line", "reason"],
                  [(str(at), reason) for at, reason in found])  # fmt: skip
        connection.execute(
            f"insert into {name} (place, broken) select cast(at_line as bigint), reason "
            f"from unusable_of_{name}"
        )
        return f"and place not in (select cast(at_line as bigint) from unusable_of_{name})"

    def _quoted(self, connection: duckdb.DuckDBPyConnection, name: str, lines: str) -> str:
        """Rows from lines with quotes; SQL that leaves out the lines they ran over."""
        mark = re.escape(self.delimiter)
        one = rf'"(?:[^"]|"")*"|[^"{mark}][^{mark}]*|'
        full = f"(?:{one})(?:{mark}(?:{one}))*"
        width = len(self.header)
        stray = connection.execute(
            f"with marked as (select place, content, contains(content, '\"') and "
            f"not regexp_full_match(content, $full) as malformed from {lines} "
            f"where place > {self.header_line}), "
            "near as (select *, max(case when malformed then place end) over (order by place) "
            "as latest from marked) select place, content, malformed from near "
            f"where latest >= place - {RESUME} order by place",
            {"full": full},
        ).fetchall()
        joined, broken, taken = _resynchronise(
            stray, self.delimiter, width, {*self.text.nul_lines, *self.text.long_lines}
        )
        fields = [f"c{at}" for at in range(width)]
        put_frame(connection, f"joined_of_{name}", ["at_line", *fields], joined)
        put_frame(connection, f"broken_of_{name}", ["at_line", "reason"], broken)
        put_frame(connection, f"taken_of_{name}", ["at_line"], [(str(at),) for at in sorted(taken)])
        connection.execute(
            f"insert into {name} (place, {', '.join(fields)}) select cast(at_line as bigint), "
            f"{', '.join(map(clean, fields))} from joined_of_{name}"
        )
        connection.execute(
            f"insert into {name} (place, broken) select cast(at_line as bigint), reason "
            f"from broken_of_{name}"
        )
        left_out = f"and place not in (select cast(at_line as bigint) from taken_of_{name})"
        unquoted = (
            "list_transform(regexp_extract_all($delimiter || content, $each, 1), lambda field: "
            "case when starts_with(field, '\"') then replace(field[2:-2], '\"\"', '\"') "
            "else field end)"
        )
        connection.execute(
            f"insert into {name} with split as (select place, content, {unquoted} as fields "
            f"from {lines} where place > {self.header_line} and contains(content, '\"') "
            "and regexp_full_match(content, $full) "
            f"{left_out}) select place, {self._miscounted()}, {self._kept()}, "
            + ", ".join(self._clean(f"fields[{at + 1}]") for at in range(width))
            + " from split",
            {"delimiter": self.delimiter, "each": f"{mark}({one})", "full": full},
        )
        return left_out


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _resynchronise(
    stream: Sequence[tuple[int, str | None, bool]], delimiter: str, width: int, unusable: set[int]
) -> tuple[list[tuple[str | None, ...]], list[tuple[str, str]], set[int]]:
    """Join fields that run over lines; give up on one line where that fails.

    Returns
    -------
    (rows as (line, fields…), (line, reason) of lines given up, all lines dealt with)
    """
    mark = re.escape(delimiter)
    one = rf'"(?:[^"]|"")*"|[^"{mark}\n][^{mark}\n]*|'
    full = re.compile(f"(?:{one})(?:{mark}(?:{one}))*")
    joined: list[tuple[str | None, ...]] = []
    broken: list[tuple[str, str]] = []
    taken: set[int] = set()
    at = 0
    while at < len(stream):
        place, content, malformed = stream[at]
        at += 1
        if not malformed or content is None:
            continue
        text, length = content, 0
        found = None
        for offset, (next_place, following, _) in enumerate(stream[at : at + RESUME], start=1):
            if next_place != place + offset or len(text) > HEADER_BYTES:
                break
            if next_place in unusable:
                break
            text += "\n" + (following or "")
            if following and '"' in following and full.fullmatch(text):
                lines = [line + "\n" for line in text.split("\n")]
                found, length = next(csv.reader(lines, delimiter=delimiter)), offset
                break
            whole_row = width > 1 and (following or "").count(delimiter) == width - 1
            if whole_row and not content.startswith('"'):
                break  # a row of its own: the quote before it was a stray one
        if found is not None and len(found) == width:
            joined.append((str(place), *found))
            taken.update(range(place, place + length + 1))
            at += length
        else:
            broken.append((str(place), "row has a quote that is not closed"))
            taken.add(place)
    return joined, broken, taken


def open_csv(
    path: Path,
    folder: Path,
    *,
    wanted: Sequence[frozenset[str]],
    delimiter: str | None = None,
    encoding: str | None = None,
    keep_text: bool = True,
    label: str = "",
) -> CsvFile | None:
    """Examine a CSV file, settle its delimiter and read its header.

    Parameters
    ----------
    path : the file.
    folder : a private temporary folder.
    wanted : the titles (lower case) that must be found; one set, or several of which each must be.
    delimiter, encoding : as the mapping states them.
    keep_text : keep the text of lines that are no rows.
    label : the name to show.

    Returns
    -------
    CsvFile, or None where the file has no rows.

    Raises
    ------
    InputError : not a text file, no delimiter or several under which the titles are found.
    """
    label = label or path.name
    text = examine(path, folder, encoding=encoding, label=label)
    with text.path.open("rb") as handle:
        head = handle.read(HEADER_BYTES).decode("utf-8", errors="ignore").lstrip("\ufeff")
    lines = head.split("\n")
    at = 0
    while at < len(lines) and not lines[at].strip():
        at += 1
    if at == len(lines):
        return None
    stated = re.fullmatch(r"sep=(.)", lines[at].rstrip("\r"), re.IGNORECASE)
    if stated:
        delimiter = delimiter or stated[1]
        at += 1
    if at == len(lines) or not lines[at].strip():
        return None
    line = lines[at].rstrip("\r")
    delimiter = delimiter or _find_delimiter(line, wanted, label)
    header = [title.strip() for title in _split(line, delimiter)]
    other = max(DELIMITERS, key=line.count)
    if len(header) == 1 and wanted and other in line:
        raise InputError(
            f"a header must name its columns, but one column is found: is the separator {other!r} "
            f"and not {delimiter!r}?",
            where=f"{label}, header",
            do="correct delimiter in the mapping, or the first line sep= of the file.",
        )
    return CsvFile(label=label, text=text, delimiter=delimiter, header=header, header_line=at + 1,
                   keep_text=keep_text, notes=list(text.notes))  # fmt: skip


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True))
    except (csv.Error, StopIteration):
        return line.split(delimiter)


def _find_delimiter(line: str, wanted: Sequence[frozenset[str]], label: str) -> str:
    titles = {mark: {title.strip().lower() for title in _split(line, mark)} for mark in DELIMITERS}
    found = [mark for mark in DELIMITERS if all(names <= titles[mark] for names in wanted)]
    if found and not any(mark in line for mark in DELIMITERS):
        return ","
    if len(found) == 1:
        return found[0]
    needed = sorted(frozenset().union(*wanted))
    if found:
        raise InputError(
            "one separator must fit the header, but several do.",
            where=f"{label}, header",
            do='state it: delimiter = ";" in the mapping, or a first line sep=;',
        )
    best = max(DELIMITERS, key=lambda mark: (len(titles[mark] & set(needed)), line.count(mark)))
    missing = [name for name in needed if name not in titles[best]]
    if len(missing) == len(needed) and len(titles[","]) == 1:
        raise InputError(
            f"a header must name {', '.join(needed)}, but one column is found: "
            "what separates them?",
            where=f"{label}, header",
            do="state the separator and the columns' names in the mapping.",
        )
    raise InputError(
        f"a header must name {', '.join(needed)}, but {', '.join(missing)} "
        f"{'is' if len(missing) == 1 else 'are'} not in it"
        + (": is the first line a header?" if len(missing) == len(needed) else "."),
        where=f"{label}, header",
        do="add the column, or rename one in the mapping (failstats draft map writes one).",
    )
