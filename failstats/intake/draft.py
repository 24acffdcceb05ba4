"""Starting files to correct: blank tables with an example row, and a mapping for given files.

A drafted mapping guesses, and every guess is a comment that says why: nothing is in force until a
person takes the ``#`` away. Values are shown only where they are codes that have to be translated.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from failstats.errors import InputError
from failstats.intake.convert import date_orders, word_key
from failstats.intake.csv_lines import DELIMITERS, open_csv
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
from failstats.intake.privacy import DOMAINS, identifying_title, looks_identifying
from failstats.units import DEFAULT_UNIT, KINDS
from failstats.vocabulary import Vocabulary, load_vocabulary
from failstats.warehouse.schema import TABLES, Column
from failstats.warehouse.scratch import private_folder

__all__ = ["draft_map", "draft_tables"]

SAMPLE = 2000  # rows looked at
LIKE = 0.75  # how like a title must be to a column's name to be guessed; our own choice
LIKELY = 2.0  # rank below which a guess rests on a known title
MOST_CODES = 30  # a column with more different values is no column of codes

# titles people use, as words; only ever a guess
TITLES = {
    "unit_id": ("unit", "appliance", "machine", "asset", "serial", "serial number", "dryer"),
    "family": ("model", "model family", "type", "series"),
    "fuel": ("heat", "heated by", "energy"),
    "installed_on": ("install date", "installed", "put in", "installation"),
    "enrolled_on": ("contract start", "contract from", "enrolled"),
    "left_on": ("contract end", "contract to", "left", "removed"),
    "loads_per_week": ("loads", "use", "cycles per week"),
    "duct_length": ("duct", "vent length", "run", "duct run"),
    "building_id": ("building", "property", "site"),
    "job_id": ("job", "ticket", "work order", "order", "visit", "call"),
    "visited_on": ("visit date", "date", "service date", "seen on", "job date"),
    "kind": ("job type", "visit type"),
    "complaint": ("symptom", "said", "problem", "fault reported"),
    "technician_id": ("technician", "tech", "engineer"),
    "van_id": ("van", "truck", "vehicle"),
    "completed": ("done", "complete", "finished"),
    "labour": ("labor", "time", "minutes", "hours"),
    "part": ("component", "what", "item type"),
    "finding": ("state", "condition", "result", "found"),
    "action": ("done", "work", "repair"),
    "reading": ("ohms", "ohm", "measurement", "measured", "value"),
    "item_id": ("item", "sku", "article", "part number"),
    "cost": ("part cost", "part price"),
    "cleaned_on": ("cleaning date", "cleaned"),
    "lint": ("lint removed",),
    "price": ("cost", "unit price"),
}


def draft_tables(folder: Path) -> list[Path]:
    """Write one blank table per kind of record, each with a row that shows how to fill it.

    Parameters
    ----------
    folder : where ``units.csv``, ``jobs.csv``, … go; made if there is none.

    Raises
    ------
    InputError : one of the files is there already; nothing is written over.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{name}.csv" for name in TABLES]
    there = [path.name for path in paths if path.exists()]
    if there:
        raise InputError(
            f"blank tables are never written over others, but {', '.join(there)} "
            f"{'is' if len(there) == 1 else 'are'} there.",
            where=str(folder),
            do="name an empty folder.",
        )
    for path, table in zip(paths, TABLES.values(), strict=True):
        with path.open("w", encoding="utf-8", newline="") as handle:
            writer = csv.writer(handle)
            writer.writerow([column.name for column in table.columns])
            writer.writerow([column.example for column in table.columns])
    return paths


@dataclass(slots=True)
class _Sheet:
    """One sheet or file and what its columns hold."""

    file: str
    sheet: str | None
    header: list[str]
    values: list[list[str]]
    notes: list[str]


def draft_map(sources: Sequence[Path], *, vocabulary: Vocabulary | None = None) -> str:
    """The text of a mapping file for these files, to be read and corrected.

    Parameters
    ----------
    sources : the files as they came.
    vocabulary : the known words; the shipped ones if None.

    Raises
    ------
    InputError : a file cannot be read.
    """
    words = vocabulary or load_vocabulary()
    lines = [
        "# A mapping, drafted from the titles and the first rows. Every guess is a comment with",
        "# its reason: take the # away where it is right, correct it where it is not.",
        "",
        '# currency = "USD"          # of every price and cost',
        "# records_from = 2015-01-01  # first and last day between which every job would be here;",
        "# records_to = 2023-12-31    # without them the first and last visit are assumed",
    ]
    with private_folder() as folder:
        for path in sources:
            for sheet in _sheets(Path(path), folder):
                lines += ["", *_section(sheet, words)]
    return "\n".join(lines) + "\n"


def _sheets(path: Path, folder: Path) -> list[_Sheet]:
    name = path.name.lower()
    if not path.is_file():
        raise InputError("a source must be a file, but this one is none.", where=str(path),
                         do="name the files to be mapped.")  # fmt: skip
    opened: list[tuple[str | None, RowFile | None]]
    if name.endswith(".xlsx"):
        opened = [(sheet, xlsx_sheet(path, sheet)) for sheet in sheet_names(path)]
    elif name.endswith((".sqlite", ".sqlite3", ".db")):
        opened = [(table, sqlite_table(path, table)) for table in sqlite_tables(path)]
    elif name.endswith(".parquet"):
        opened = [(None, parquet(path, folder))]
    elif name.endswith((".jsonl", ".ndjson")):
        opened = [(None, json_lines(path, folder))]
    else:
        read = unpack(path, folder) if name.endswith(".gz") else path
        opened = [(None, open_csv(read, folder, wanted=[], delimiter=_delimiter(read, folder),
                                  label=path.name))]  # fmt: skip
    sheets = []
    for sheet, rows in opened:
        if rows is not None:
            sheets.append(_Sheet(path.name, sheet, rows.header, _sample(rows), rows.notes))
    return sheets


def _delimiter(path: Path, folder: Path) -> str:
    with examine(path, folder).path.open(encoding="utf-8", errors="replace") as handle:
        head = [line for line in (handle.readline() for _ in range(20)) if line.strip()]
    first = head[0] if head else ""
    return max(DELIMITERS, key=lambda mark: (first.count(mark), mark == ","))


def _sample(rows: RowFile) -> list[list[str]]:
    """The values of each column in the first rows."""
    with duckdb.connect() as connection:
        rows.stage(connection, "sampled")
        columns = []
        for at in range(len(rows.header)):
            found = connection.execute(
                f"select trim(c{at}) from (from sampled where broken is null order by place limit "
                f"{SAMPLE}) where trim(c{at}) <> ''"
            )
            columns.append([row[0] for row in found.fetchall()])
    return columns


def _guesses(title: str) -> list[tuple[str, str, str]]:
    """(table, column, why) that a title may stand for, the exact ones first."""
    plain = re.sub(r"[^a-z0-9]+", " ", title.lower()).strip()
    found = []
    for table in TABLES.values():
        for column in table.columns:
            names = (column.name.replace("_", " "), *column.synonyms)
            if plain in names:
                found.append((0.0, table.name, column.name, "the same name"))
            elif plain in TITLES.get(column.name, ()):
                found.append((1.0, table.name, column.name, "a title often used for it"))
            else:
                like = max(difflib.SequenceMatcher(None, plain, name).ratio() for name in names)
                if like >= LIKE:
                    found.append((3.0 - like, table.name, column.name, "a title like its name"))
    if any(rank < LIKELY for rank, *_ in found):
        found = [guess for guess in found if guess[0] < LIKELY]
    return [(table, column, why) for _, table, column, why in sorted(found)]


def _section(sheet: _Sheet, words: Vocabulary) -> list[str]:
    named = sheet.sheet or sheet.file.split(".")[0]
    guesses = {at: _guesses(title) for at, title in enumerate(sheet.header) if title}
    tables = [named.lower()] if named.lower() in TABLES else _tables(guesses)
    what = f"{sheet.file}" + (f", sheet {sheet.sheet}" if sheet.sheet else "")
    lines = [f"# ---- {what}: {len(sheet.header)} columns", *(f"# {note}" for note in sheet.notes)]
    used: set[int] = set()
    for table in tables:
        lines += ["", f"[tables.{table}]", f"file = {_text(sheet.file)}"]
        if sheet.sheet:
            lines.append(f"sheet = {_text(sheet.sheet)}")
        lines += _writing(sheet, guesses)
        columns, units, codes = [], [], []
        for column in TABLES[table].columns:
            at = _best(guesses, table, column.name, used if len(tables) == 1 else set())
            if at is None:
                if column.required:
                    columns.append(f'# {column.name} = ""  # needed: {column.meaning}')
                continue
            used.add(at)
            why = next(w for t, c, w in guesses[at] if (t, c) == (table, column.name))
            if sheet.header[at].lower() != column.name:
                columns.append(f"# {column.name} = {_text(sheet.header[at])}  # guess: {why}")
            units += _unit(column, sheet.values[at])
            codes += _codes(table, column, sheet.values[at], words)
        lines += [f"[tables.{table}.columns]  # ours = theirs", *columns] if columns else []
        lines += [f"[tables.{table}.units]", *units] if units else []
        lines += codes
    left = [title for at, title in enumerate(sheet.header) if title and at not in used]
    if left:
        lines += ["", f"# columns for which there is no guess: {', '.join(map(_text, left))}"]
    if not tables:
        lines.append("# no table is guessed: write [tables.units], [tables.jobs] or [tables.lines]")
    return lines


def _tables(guesses: dict[int, list[tuple[str, str, str]]]) -> list[str]:
    """Tables of which more than the keys are there."""
    there = {(table, column) for found in guesses.values() for table, column, _ in found}
    picked = []
    for name in ("units", "jobs", "lines", "cleanings", "catalogue"):
        needed = [column.name for column in TABLES[name].columns if column.required]
        if sum((name, column) in there for column in needed) >= max(2, len(needed) - 1):
            picked.append(name)
    return picked


def _best(guesses: dict[int, list[tuple[str, str, str]]], table: str, column: str,
          used: set[int]) -> int | None:  # fmt: skip
    ranked = [
        (place, at)
        for at, found in guesses.items()
        if at not in used
        for place, (found_table, found_column, _) in enumerate(found)
        if (found_table, found_column) == (table, column)
    ]
    return min(ranked)[1] if ranked else None


def _writing(sheet: _Sheet, guesses: dict[int, list[tuple[str, str, str]]]) -> list[str]:
    """What the values say about dates, decimal marks and people."""
    lines = []
    proved, either = set(), None
    for values in sheet.values:
        orders, open_date = date_orders(values)
        proved |= orders
        either = either or open_date
    if len(proved) == 1:
        lines.append(f'# date_order = "{next(iter(proved))}"  # guess: some dates prove it')
    elif proved or either:
        lines.append('# date_order = "dmy"  # or "mdy": the dates fit both or mix both; choose')
    if any(re.fullmatch(r"\d+,\d{1,2}", v) for values in sheet.values for v in values):
        lines.append('# decimal_mark = ","  # guess: some numbers have a comma')
    personal = [
        title
        for at, title in enumerate(sheet.header)
        if title
        and not any(why == "the same name" for _, _, why in guesses.get(at, []))
        and not any(column in DOMAINS for _, column, _ in guesses.get(at, []))
        and (identifying_title(title) or any(looks_identifying(v) for v in sheet.values[at]))
    ]
    if personal:
        lines.append(
            f"# drop = [{', '.join(map(_text, personal))}]  # guess: they look like what "
            "identifies somebody, or like free text"
        )
    return lines


def _unit(column: Column, values: list[str]) -> list[str]:
    """A line for the unit of bare numbers."""
    if column.kind not in KINDS or not any(re.fullmatch(r"[\d.,]+", value) for value in values):
        return []
    unit = DEFAULT_UNIT.get(column.kind)
    fallback = f"it is {unit}" if unit else "they go to quarantine"
    return [f'# {column.name} = ""  # numbers without a unit: say which; without it {fallback}']


def _codes(table: str, column: Column, values: list[str], words: Vocabulary) -> list[str]:
    """Codes to translate."""
    if column.words is None:
        return []
    known = {word_key(text) for text in words.spellings(column.words)}
    codes = sorted({value for value in values if word_key(value) not in known})
    if not codes or len(codes) > MOST_CODES:
        return []
    lines = [f"[tables.{table}.codes.{column.name}]  # theirs = ours"]
    for code in codes:
        if len(code) > 40 or looks_identifying(code):
            continue
        nearest = words.nearest(column.words, word_key(code))
        hint = f"  # the nearest known word is {nearest}" if nearest else ""
        lines.append(f'# {_text(code)} = ""{hint}')
    return lines


def _text(value: str) -> str:
    """A TOML string of one line."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", " ", escaped) + '"'
