"""One file or sheet as a draft looks at it: its columns' values, and which repeat with which."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from failstats.errors import InputError
from failstats.intake.convert import word_key
from failstats.intake.csv_lines import DELIMITERS, open_csv
from failstats.intake.draft_words import CODES, TITLES, plain_title
from failstats.intake.formats import (
    RowFile,
    json_lines,
    parquet,
    sheet_names,
    sqlite_table,
    sqlite_tables,
    xlsx_sheet,
)
from failstats.intake.prepass import examine, unpack
from failstats.intake.privacy import looks_identifying
from failstats.intake.sources import KNOWN, UNREADABLE, is_data
from failstats.units import KINDS, unit_dimension
from failstats.vocabulary import Vocabulary
from failstats.warehouse.schema import TABLES, Column

__all__ = ["Sheet", "fit", "headless", "is_serial_day", "join_alike", "open_sheets", "with_unit"]

LOOKED_AT = 200_000  # rows in which it is seen what repeats with what
MOST_SPELLINGS = 5000  # different values of a column looked at, the most frequent first
DAY_NUMBERS = (20_000, 60_000)  # a spreadsheet's numbers of days from 1954 to 2064

_DATE = re.compile(
    r"\d{4}([-/.])\d{1,2}\1\d{1,2}(?:[T ].*)?|\d{1,2}([-/.])\d{1,2}\2(?:\d{4}|\d{2})(?:[T ].*)?"
    r"|(?:19|20)\d{6}|\d{1,2}[-. ]*[A-Za-z]{3,9}[-., ]*\d{4}|[A-Za-z]{3,9}[-. ]*\d{1,2}[-., ]+\d{4}"
)
_NUMBER = re.compile(r"[+-]?[\d.,]*\d[\d.,]*")
_WITH_UNIT = re.compile(r"[+-]?[\d.,]*\d\s*([^\d\s.,].*)")
_YES_NO = {"yes", "no", "y", "n", "true", "false", "t", "f", "1", "0"}
_OPEN = {"ol", "o.l.", "o.l", "o/l", "open", "∞", "open circuit"}


@dataclass(slots=True)
class Sheet:
    """One sheet or file.

    Attributes
    ----------
    alike : further files under the same titles, looked at together with it.
    values : per column, value -> how often, the most frequent first; blanks left out.
    rows : rows with anything in them.
    delimiter : of a CSV file where no first line states it.
    encoding : where the file is not UTF-8 and says nothing itself.
    """

    file: str
    sheet: str | None
    header: list[str]
    notes: list[str]
    connection: duckdb.DuckDBPyConnection
    delimiter: str | None = None
    encoding: str | None = None
    rows: int = 0
    values: list[dict[str, int]] = field(default_factory=list)
    alike: list[str] = field(default_factory=list)

    def steady(self, key: tuple[int, ...], at: int) -> tuple[int, int]:
        """How many of the keys found on several rows have one value of a column, and of how many.

        A blank beside a value is another value.
        """
        by = ", ".join(f"c{place}" for place in key)
        given = " and ".join(f"c{place} is not null" for place in key)
        row = self.connection.execute(
            f"select count(*) filter (kinds = 1), count(*) from (select count(distinct "
            f"coalesce(c{at}, '')) as kinds from sample where {given} group by {by} "
            "having count(*) > 1)"
        ).fetchone()
        assert row is not None
        return int(row[0]), int(row[1])

    def blank_beside(self, at: int, others: list[int]) -> int:
        """Rows with a value in one of the other columns and none in this."""
        some = " or ".join(f"c{place} is not null" for place in others if place != at) or "false"
        row = self.connection.execute(
            f"select count(*) from sample where c{at} is null and ({some})"
        ).fetchone()
        return int(row[0]) if row else 0

    def repeats(self, key: list[int]) -> int:
        """Rows that share all of a key's columns with another row."""
        by = ", ".join(f"lower(c{place})" for place in key)
        row = self.connection.execute(
            f"select sum(times) from (select count(*) as times from sample group by {by} "
            "having count(*) > 1)"
        ).fetchone()
        return int(row[0] or 0) if row else 0

    def filled(self, at: int) -> float:
        """Share of the rows in which a column has a value."""
        row = self.connection.execute(f"select count(c{at}) from sample").fetchone()
        return row[0] / max(1, min(self.rows, LOOKED_AT)) if row else 0.0


def open_sheets(path: Path, folder: Path) -> list[Sheet]:
    """Every sheet of a file that has rows.

    Raises
    ------
    InputError : the file cannot be read.
    """
    name = path.name.lower()
    if str(path).startswith("postgresql:"):
        raise InputError(
            "a mapping is drafted from files, but a database on a server is named.",
            where="SOURCE",  # the address may hold a password
            do="export a few rows of its tables as CSV and draft from them.",
        )
    if path.is_dir():
        inside = [file for file in sorted(path.iterdir())
                  if file.is_file() and not file.is_symlink() and is_data(file)]  # fmt: skip
        return [sheet for file in inside for sheet in open_sheets(file, folder)]
    if not path.is_file():
        raise InputError(
            f"a source must be a file or a folder, but {path.name!r} is neither.",
            where=str(path),
            do="correct the path.",
        )
    if name.endswith(UNREADABLE) and not name.endswith(KNOWN):
        raise InputError(
            f"records must come as {', '.join(KNOWN)}, but this file is another kind.",
            where=path.name,
            do="export it as CSV.",
        )
    found: list[tuple[str | None, RowFile | None]]
    if name.endswith(".xlsx"):
        found = [(sheet, xlsx_sheet(path, sheet)) for sheet in sheet_names(path)]
    elif name.endswith((".sqlite", ".sqlite3", ".db")):
        found = [(table, sqlite_table(path, table)) for table in sqlite_tables(path)]
    elif name.endswith(".parquet"):
        found = [(None, parquet(path, folder))]
    elif name.endswith((".jsonl", ".ndjson")):
        found = [(None, json_lines(path, folder))]
    else:
        sheet = _text(path, folder)
        return [sheet] if sheet else []
    return [_seen(path, named, rows) for named, rows in found if rows is not None]


def join_alike(sheets: list[Sheet]) -> list[Sheet]:
    """Files under the same titles (one export a year) are one sheet; the first stands for them."""
    first: dict[tuple[object, ...], Sheet] = {}
    joined = []
    for sheet in sheets:
        titles = [title.strip().lower() for title in sheet.header]
        kind = (sheet.sheet, sheet.delimiter, sheet.encoding, *sorted(titles))
        if len(set(titles)) < len(titles) or kind not in first:
            first.setdefault(kind, sheet)
            joined.append(sheet)
        elif sheet.file not in (first[kind].file, *first[kind].alike):
            _add(first[kind], sheet, titles)
    return joined


def _add(to: Sheet, sheet: Sheet, titles: list[str]) -> None:
    places = [titles.index(title.strip().lower()) for title in to.header]
    fields = ", ".join(f"c{place}" for place in places)
    more = sheet.connection.sql(f"select place, {fields} from everything").to_arrow_table()
    to.connection.register("more", more)
    to.connection.execute("insert into everything from more")
    to.connection.unregister("more")
    sheet.connection.close()
    to.rows += sheet.rows
    to.alike.append(sheet.file)
    to.notes.extend(sheet.notes)
    to.values = _values(to.connection, len(to.header))


def _text(path: Path, folder: Path) -> Sheet | None:
    read = unpack(path, folder) if path.name.lower().endswith(".gz") else path
    encoding = None
    try:
        text = examine(read, folder, label=path.name)
    except InputError as fault:
        if not fault.what.startswith("text must be UTF-8"):
            raise
        encoding = "utf-16-le" if "UTF-16" in fault.what else "cp1252"
        text = examine(read, folder, encoding=encoding, label=path.name)
    with text.path.open(encoding="utf-8-sig", errors="replace") as handle:
        first = next((line for line in handle if line.strip()), "")
    delimiter = None
    if not re.fullmatch(r"sep=(.)\s*", first, re.IGNORECASE):
        delimiter = max(
            DELIMITERS,
            key=lambda mark: (_known_titles(first, mark), first.count(mark), mark == ","),
        )
    opened = open_csv(read, folder, wanted=[], encoding=encoding, delimiter=delimiter,
                      label=path.name)  # fmt: skip
    return _seen(path, None, opened, delimiter, encoding) if opened else None


def _known_titles(line: str, mark: str) -> int:
    known = {title for titles in TITLES.values() for title in titles}
    known |= {column.name.replace("_", " ") for t in TABLES.values() for column in t.columns}
    return sum(plain_title(title) in known for title in line.strip().split(mark))


def _refuse_people(label: str, header: list[str]) -> None:
    """A header that is a row of data may hold anything: it is not written into a mapping."""
    for at, title in enumerate(header):
        if what := looks_identifying(title):
            raise InputError(
                f"titles must not identify anybody, but that of column {at + 1} looks like {what}: "
                "is the first line a header?",
                where=f"{label}, header",
                do="give the columns titles.",
            )


def _seen(path: Path, sheet: str | None, rows: RowFile, delimiter: str | None = None,
          encoding: str | None = None) -> Sheet:  # fmt: skip
    _refuse_people(path.name, rows.header)
    connection = duckdb.connect()
    rows.stage(connection, "staged")
    fields = ", ".join(
        f"nullif(trim(c{at}::varchar), '') as c{at}" for at in range(len(rows.header))
    )
    connection.execute(
        f"create temp table everything as select place, {fields} from staged where broken is null"
    )
    connection.execute(
        f"create temp view sample as (from everything order by place limit {LOOKED_AT})"
    )
    counted = connection.execute("select count(*) from everything").fetchone()
    values = _values(connection, len(rows.header))
    return Sheet(path.name, sheet, rows.header, rows.notes, connection, delimiter, encoding,
                 counted[0] if counted else 0, values)  # fmt: skip


def _values(connection: duckdb.DuckDBPyConnection, width: int) -> list[dict[str, int]]:
    values = []
    for at in range(width):
        found = connection.execute(
            f"select c{at}, count(*) from everything where c{at} is not null group by all "
            f"order by 2 desc, 1 limit {MOST_SPELLINGS}"
        )
        values.append({text: int(times) for text, times in found.fetchall()})
    return values


def headless(sheet: Sheet) -> bool:
    """Whether the first line looks like a row: a title is a date or a number."""
    return any(_DATE.fullmatch(t) or _NUMBER.fullmatch(t) for t in map(str.strip, sheet.header))


def is_serial_day(text: str) -> bool:
    """Whether a text may be a spreadsheet's number of a day.

    >>> is_serial_day("43831"), is_serial_day("12")
    (True, False)
    """
    return bool(re.fullmatch(r"\d{5}(\.\d+)?", text)) and (
        DAY_NUMBERS[0] <= float(text) <= DAY_NUMBERS[1]
    )


def with_unit(text: str) -> str | None:
    """The dimension of a number with a unit behind it.

    >>> with_unit("9,7 Ohm")
    'resistance'
    """
    found = _WITH_UNIT.fullmatch(text.strip())
    return unit_dimension(found[1]) if found else None


def _fits(column: Column, text: str, words: Vocabulary) -> bool:
    kind = column.kind
    if kind == "date":
        return bool(_DATE.fullmatch(text)) or is_serial_day(text)
    if kind == "yes_no":
        return text.lower() in _YES_NO
    if kind in ("whole", "number", "money"):
        return bool(_NUMBER.fullmatch(re.sub(r"^[^\d\s+-]\s?|\s?[^\d\s]$", "", text)
                                      if kind == "money" else text))  # fmt: skip
    if kind in KINDS:
        if kind == "reading" and text.lower() in _OPEN:
            return True
        wanted = {dimension for dimension, _ in KINDS[kind]}
        return bool(_NUMBER.fullmatch(text)) or with_unit(text) in wanted or (
            kind == "length" and bool(re.match(r"\d+\s*('|ft)", text))
        )  # fmt: skip
    if kind == "word" and column.words:
        key = word_key(text)
        return key in {word_key(w) for w in words.spellings(column.words)} or code_of(
            column.words, text) is not None  # fmt: skip
    return True


def code_of(list_name: str, text: str) -> str | None:
    """The word that a code of the trade stands for, where there is a likely one."""
    key = word_key(re.sub(r"[,.;:]", " ", text))
    return CODES.get(list_name, {}).get(key)


def fit(column: Column, values: dict[str, int], words: Vocabulary) -> float | None:
    """Share of a column's rows with a value that one of our columns could take; None if empty."""
    total = sum(values.values())
    if not total:
        return None
    if column.kind == "word" and column.words:
        known = {word_key(w) for w in words.spellings(column.words)}
        return sum(
            n for text, n in values.items()
            if word_key(text) in known or code_of(column.words, text)
        ) / total  # fmt: skip
    return sum(n for text, n in values.items() if _fits(column, text, words)) / total
