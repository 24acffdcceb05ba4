"""Starting files to correct: blank tables with an example row, and a mapping for given files.

A drafted mapping is in force as it stands where its guesses are right. Each guess has its reason
beside it; what no value tells (two orders of day and month, a unit) is left open, asked for at the
top, and refused or quarantined by ``load`` until a person has decided.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path

from failstats.errors import InputError
from failstats.intake.convert import Dialect, word_key
from failstats.intake.draft_guess import MOST_CODES, Guesses, guess, identifies, unit_in_title
from failstats.intake.draft_sheet import (
    Sheet,
    code_of,
    headless,
    join_alike,
    open_sheets,
    with_unit,
)
from failstats.intake.draft_trial import repeated, unreadable
from failstats.intake.draft_writing import (
    drop_lines,
    plain_text,
    sheet_name,
    toml_text,
    writing_of,
)
from failstats.intake.privacy import looks_identifying
from failstats.units import DEFAULT_UNIT, KINDS
from failstats.vocabulary import Vocabulary, load_vocabulary
from failstats.warehouse.schema import TABLES, Column
from failstats.warehouse.scratch import private_folder

__all__ = ["draft_map", "draft_tables"]


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


def draft_map(sources: Sequence[Path], *, vocabulary: Vocabulary | None = None) -> str:
    """The text of a mapping file for these files, to be read and corrected.

    Parameters
    ----------
    sources : the files as they came, or folders of them.
    vocabulary : the known words; the shipped ones if None.

    Raises
    ------
    InputError : a file cannot be read, or none has a row.
    """
    words = vocabulary or load_vocabulary()
    asked: list[str] = []
    body: list[str] = []
    top: list[str] = []
    with private_folder() as folder:
        sheets = join_alike(
            [sheet for path in sources for sheet in open_sheets(Path(path), folder)]
        )
        if not sheets:
            raise InputError(
                "there must be rows to draft a mapping from, but there are none.",
                where=", ".join(Path(path).name for path in sources[:5]),
                do="name files with a header and at least one row.",
            )
        seen = [(sheet, guess(sheet, words)) for sheet in sheets]
        _one_sheet_per_table(seen, asked)
        for sheet, found in seen:
            asked += _titles(sheet)
            writing, dialect = writing_of(sheet, found, asked)
            if len(seen) == 1:
                top = ["", *writing, *(drop_lines(sheet, found.left_out) if found.tables else [])]
                writing, found.left_out = [], {}
            body += ["", *_section(sheet, found, words, asked, writing, dialect)]
        for sheet in sheets:
            sheet.connection.close()
    if not any(found.tables for _, found in seen):
        asked.append("no table is recognised: write [tables.units], [tables.jobs] or "
                     "[tables.lines] yourself")  # fmt: skip
    known = {table for _, found in seen for table in found.tables}
    if "jobs" in known and "units" not in known:
        asked.append(
            "units: no column is a model family, so units not loaded otherwise are call-out units "
            "of family unknown"
        )
    if any(name == "cost" or name == "price" for _, found in seen for _, name in found.found):
        asked.append("currency: of every price and cost; nothing in a file tells it")
    return "\n".join([*_head(asked, known), *top, *body]) + "\n"


def _titles(sheet: Sheet) -> list[str]:
    """What is wrong with the titles, which only the file itself can mend."""
    low = [title.strip().lower() for title in sheet.header]
    twice = sorted({title for title in low if title and low.count(title) > 1})
    nameless = [str(at + 1) for at, title in enumerate(low) if not title and sheet.values[at]]
    asked = []
    if headless(sheet):
        asked.append(f"{sheet_name(sheet)}: is its first line a header? It looks like a row")
    where = sheet_name(sheet)
    if twice:
        named = ", ".join(map(plain_text, twice))
        asked.append(f"{where}: two columns are called {named}; load refuses that: rename one")
    if nameless:
        asked.append(
            f"{where}: column {', '.join(nameless)} has values and no title; load refuses that: "
            "give it one"
        )
    return asked


def _head(asked: list[str], known: set[str]) -> list[str]:
    lines = [
        '# A mapping, drafted from the titles and the values. What stands behind "guess:" is a',
        "# guess with its reason, and it is in force: read every line, correct what is wrong, put",
        "# a # before what should not hold. Then try it: failstats load … --map this_file --check",
    ]
    if asked:
        lines += ["#", "# To decide before the load:", *(f"# - {what}" for what in asked)]
    lines += ["", '# currency = "USD"          # of every price and cost']
    if known & {"jobs", "cleanings"}:
        lines += [
            "# records_from = 2015-01-01  # first and last day between which every job would be",
            "# records_to = 2023-12-31    # here; without them first and last visit are assumed",
        ]
    return lines


def _one_sheet_per_table(seen: list[tuple[Sheet, Guesses]], asked: list[str]) -> None:
    """A mapping takes a table from one kind of file: the sheet that tells most of it."""
    for table in TABLES:
        having = [(sheet, found) for sheet, found in seen if table in found.tables]
        if len(having) < 2:
            continue
        told = [_told(table, found) for _, found in having]
        best = having[told.index(max(told))][0]
        for sheet, found in having:
            if sheet is best:
                continue
            asked.append(
                f"{sheet_name(sheet)} holds {table} too, but under other titles, and a mapping "
                f"takes a table under one set of titles, here those of {sheet_name(best)}: load "
                "the other with a mapping of its own"
            )
            found.tables.remove(table)
            found.missing = [pair for pair in found.missing if pair[0] != table]
            for pair in [pair for pair in found.found if pair[0] == table]:
                one = found.found.pop(pair)
                if not any(other.at == one.at for other in found.found.values()):
                    found.left_out[one.at] = f"{one.column.name} is taken from another file"


def _told(table: str, found: Guesses) -> tuple[bool, int, int]:
    """How much a sheet tells of a table."""
    own = [name for of, name in found.found if of == table]
    whole = not any(of == table for of, _ in found.missing)
    return whole, len(own), -len(found.tables)


def _section(sheet: Sheet, found: Guesses, words: Vocabulary, asked: list[str],
             writing: list[str], dialect: Dialect) -> list[str]:  # fmt: skip
    lines = [f"# ---- {sheet_name(sheet)}: {len(sheet.header)} columns, {sheet.rows:,} "
             f"row{'s' if sheet.rows != 1 else ''}",
             *(f"# {plain_text(note)}" for note in sheet.notes)]  # fmt: skip
    if len(found.tables) > 1:
        lines.append(f"# a flat export: its rows hold {', '.join(found.tables)} side by side, and "
                     "the parents' columns repeat")  # fmt: skip
    elif not found.tables:
        titles = ", ".join(toml_text(title) for title in sheet.header if title.strip())
        lines.append("# no table is guessed for it; leave it out of the load, or map it by hand")
        lines.append(f"# its titles: {titles}")
        return lines
    for table in found.tables:
        lines += ["", f"[tables.{table}]", f"file = {_files(sheet)}"]
        if sheet.sheet:
            lines.append(f"sheet = {toml_text(sheet.sheet)}")
        lines += writing  # what holds for the file stands in the sections of all its tables
        others = dict.fromkeys(found.not_for.get(table, []), "guess: it belongs to another table")
        lines += drop_lines(sheet, found.left_out | others if table == found.tables[0] else others)
        lines += [f"# {what}" for what in found.remarks.get(table, [])]
        lines += _columns(sheet, found, table, words, asked, dialect)
    return lines


def _files(sheet: Sheet) -> str:
    names = [toml_text(name) for name in (sheet.file, *sheet.alike)]
    return names[0] if len(names) == 1 else f"[{', '.join(names)}]"


def _columns(sheet: Sheet, found: Guesses, table: str, words: Vocabulary, asked: list[str],
             dialect: Dialect) -> list[str]:  # fmt: skip
    columns, units, codes, same, tried = [], [], [], [], []
    for column in TABLES[table].columns:
        one = found.found.get((table, column.name))
        if one is None:
            if column.required:
                columns.append(f'# {column.name} = ""  # needed, and nothing is like it: '
                               f"{column.meaning}")  # fmt: skip
                if (what := _missing(table, column.name, sheet)) not in asked:
                    asked.append(what)
            continue
        title, values = sheet.header[one.at], sheet.values[one.at]
        if title.strip().lower() == column.name:
            same.append(column.name)
        else:
            columns.append(f"{column.name} = {toml_text(title)}  # guess: {one.why}")
        if column.kind == "id" and (why := identifies(sheet, one.at)):
            columns.append(f"# {column.name}: load with --key-file, which hashes it: {why}")
            what = f"{column.name} from {plain_text(title)!r}: {why}; load with --key-file"
            if what not in asked:
                asked.append(what)
        for at, why in one.rivals:
            columns.append(f"# {column.name} = {toml_text(sheet.header[at])}  # or this one: {why}")
        unit = _unit(column, title, values, asked)
        units += unit
        said, translated = _codes(table, column, values, words)
        codes += said
        unknown = sum(line.startswith('# "') for line in said)
        if unknown:
            asked.append(
                f"{table}, {column.name}: {unknown} word{'s' if unknown != 1 else ''} not known; "
                "their rows go to quarantine until you say what is meant"
            )
        bare = re.match(r'\w+ = "([^"?]+)"', unit[0]) if unit else None
        tried += unreadable(sheet, column, one, found, words, dialect,
                            bare[1] if bare else None, translated)  # fmt: skip
    tried += repeated(sheet, table, found)
    lines = [f"# under their own names: {', '.join(same)}"] if same else []
    lines += [f"# {plain_text(what)}" for what in tried]
    lines += [f"[tables.{table}.columns]  # ours = theirs", *columns] if columns else []
    lines += [f"[tables.{table}.units]  # what a bare number means", *units] if units else []
    return lines + codes


def _missing(table: str, name: str, sheet: Sheet) -> str:
    if name == "job_id":
        return (
            f"job_id: no column of {sheet_name(sheet)} is a job number, and every row must say on "
            "which visit it was: export the job's number, or number the visits (one for each "
            "appliance and day) in a column of their own"
        )
    return f"{table}: {name} is needed, and no column of {sheet_name(sheet)} is like it"


def _unit(column: Column, title: str, values: dict[str, int], asked: list[str]) -> list[str]:
    """A line for the unit of bare numbers."""
    if column.kind not in KINDS or not any(re.fullmatch(r"[\d.,]+", value) for value in values):
        return []
    if title.strip().lower() == column.name and column.kind in DEFAULT_UNIT:
        return [f'# {column.name} = "{DEFAULT_UNIT[column.kind]}"  # what a bare number means']
    if unit := unit_in_title(title, column.kind):
        return [f"{column.name} = {toml_text(unit)}  # guess: the title says so"]
    shares = {with_unit(value) for value in values} - {None}
    if column.kind not in DEFAULT_UNIT:
        asked.append(f"the unit of {column.name}: numbers without one go to quarantine")
        return [f'# {column.name} = ""  # numbers without a unit: say which; without it they go to '
                "quarantine" + (" (others have one)" if shares else "")]  # fmt: skip
    asked.append(f'the unit of {column.name} ({plain_text(title)}): put it in place of "?", which '
                 "load refuses")  # fmt: skip
    return [f'{column.name} = "?"  # numbers without a unit: say which; load refuses the ?']


def _codes(
    table: str, column: Column, values: dict[str, int], words: Vocabulary
) -> tuple[list[str], dict[str, str]]:
    """Codes to translate, and the synonyms that are read without being told."""
    if column.words is None:
        return [], {}
    spellings = {word_key(text): word for text, word in words.spellings(column.words).items()}
    own = {*(words.parts if column.words == "parts" else words.words[column.words])}
    read = {word_key(value): spellings[word_key(value)] for value in values
            if word_key(value) in spellings and word_key(value) not in own}  # fmt: skip
    lines = []
    if read:
        pairs = ", ".join(f"{value} = {word}" for value, word in sorted(read.items()))
        lines.append(f"# {column.name}: read without being told: {pairs}")
    codes = sorted(value for value in values if word_key(value) not in spellings)
    translated: dict[str, str] = {}
    if not codes:
        return lines, translated
    if len(codes) > MOST_CODES:
        return [*lines, f"# {column.name}: {len(codes)} values are no known word"], translated
    lines.append(f"[tables.{table}.codes.{column.name}]  # theirs = ours")
    once: dict[str, str] = {}
    for code in codes:
        once.setdefault(code.lower(), code)
    for code in once.values():
        if len(code) > 40 or looks_identifying(code):
            continue
        if word := code_of(column.words, code):
            lines.append(f'{toml_text(code)} = "{word}"  # guess: a common way to say it')
            translated[code.lower()] = word
            continue
        nearest = words.nearest(column.words, word_key(code))
        hint = f"the nearest known word is {nearest}" if nearest else "say what it means"
        lines.append(f'# {toml_text(code)} = ""  # not known, goes to quarantine; {hint}')
    return lines, translated
