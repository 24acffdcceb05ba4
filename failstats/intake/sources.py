"""Which files hold which tables, and which of their columns are which of ours."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from failstats.errors import InputError
from failstats.intake.csv_lines import open_csv
from failstats.intake.formats import (
    RowFile,
    json_lines,
    parquet,
    plain_values_only,
    sheet_names,
    sqlite_table,
    sqlite_tables,
    xlsx_sheet,
)
from failstats.intake.mapping import Mapping, TableMapping
from failstats.intake.postgres import database_name, read_server
from failstats.intake.prepass import unpack
from failstats.intake.privacy import Key, identifying_title, looks_identifying
from failstats.intake.raw_rows import RawRows
from failstats.intake.staged import Source
from failstats.warehouse.schema import TABLES, Table

__all__ = ["KNOWN", "UNREADABLE", "find_sources", "is_data", "nothing_to_load"]

TEXT = (".csv", ".tsv", ".txt", ".csv.gz", ".tsv.gz")
JSON = (".jsonl", ".ndjson")
BOOKS = (".xlsx",)
SQLITE = (".sqlite", ".sqlite3", ".db")
PARQUET = (".parquet",)
AT_ONCE = 2  # files looked at side by side
KNOWN = (*TEXT, *JSON, *BOOKS, *SQLITE, *PARQUET)
# data files in a form that is not read; anything else in a folder (a README) is left alone
UNREADABLE = (".xls", ".xlsm", ".ods", ".json", ".zip", ".gz", ".dat", ".feather", ".tab")


def find_sources(
    paths: Sequence[Path | str], mapping: Mapping, key: Key | None, folder: Path
) -> tuple[list[Source], list[str]]:
    """The tables that the given files and folders hold.

    Parameters
    ----------
    paths : files and folders; addresses of servers as text.
    mapping : how they differ from the contract.
    key : hashes the ids, where given.
    folder : a private temporary folder.

    Returns
    -------
    (sources, notes on files without records)

    Raises
    ------
    InputError : nothing there, a file that is no table, or a header that does not fit.
    """
    sources: list[Source] = []
    notes: list[str] = []
    servers = [path for path in paths if isinstance(path, str)]
    for address in servers:
        found, said = _server(address, mapping, key)
        sources += found
        notes += said
    files = _files([path for path in paths if isinstance(path, Path)], mapping)
    with ThreadPoolExecutor(AT_ONCE) as pool:  # every byte is looked at
        for found, said in pool.map(lambda path: _tables_of(path, mapping, key, folder), files):
            sources += found
            notes += said
    _check_mapped(sources, mapping, notes)
    if not sources:
        shown = [database_name(path) if isinstance(path, str) else str(path) for path in paths]
        raise nothing_to_load(shown, notes)
    return sources, notes + _not_read(paths)


def _not_read(paths: Sequence[Path | str]) -> list[str]:
    """Folders inside a folder that hold data and are not looked into."""
    given = {path.resolve() for path in paths if isinstance(path, Path)}
    return [
        f"{path.name}/{inside.name}: a folder in a folder is not read; name it too, or load it next"
        for path in paths
        if isinstance(path, Path) and path.is_dir()
        for inside in sorted(path.iterdir())
        if inside.is_dir() and not inside.is_symlink() and inside.resolve() not in given
        and not inside.name.startswith(".") and any(map(is_data, inside.iterdir()))
    ]  # fmt: skip


def nothing_to_load(where: Sequence[str], notes: Sequence[str]) -> InputError:
    """The refusal where no source has a row."""
    return InputError(
        "there must be records to load, but there are no records"
        + (f" ({'; '.join(notes[:5])})." if notes else "."),
        where=", ".join(where[:5]),
        do=f"name files or a folder with tables such as {', '.join(list(TABLES)[:4])}. "
        "Nothing was changed.",
    )


def _files(paths: Sequence[Path], mapping: Mapping) -> list[Path]:
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(path.iterdir())
            for found in inside:
                if found.is_symlink() and not _within(found, path):
                    raise InputError(
                        "a file in a folder must lie in it, but this one is a link that leads out.",
                        where=f"{path.name}/{found.name}",
                        do="name the file itself, or copy it into the folder.",
                    )
            files += [found for found in inside if found.is_file() and is_data(found)]
        elif path.is_file():
            files.append(path)
        else:
            raise InputError(
                f"a source must be a file or a folder, but {path.name!r} is neither.",
                where=str(path),
                do="correct the path.",
            )
    files = list({path.resolve(): path for path in reversed(files)}.values())[::-1]
    names = [path.name for path in files]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(
            f"files of one load must have different names, but {', '.join(map(repr, twice[:5]))} "
            "comes from two folders.",
            where=", ".join(str(path) for path in files if path.name in twice[:5]),
            do="load one folder after the other, or rename the files.",
        )
    return files


def _within(path: Path, folder: Path) -> bool:
    try:
        return path.resolve(strict=True).is_relative_to(folder.resolve())
    except OSError:
        return False


def is_data(path: Path) -> bool:
    """Whether a file of a folder is taken for records, in a form that is read or not."""
    name = path.name.lower()
    return not name.startswith(".") and name.endswith((*KNOWN, *UNREADABLE))


def _stem(path: Path) -> str:
    name = path.name.lower()
    for ending in sorted(KNOWN, key=len, reverse=True):
        if name.endswith(ending):
            return path.name[: -len(ending)]
    return path.stem


def _tables_of(
    path: Path, mapping: Mapping, key: Key | None, folder: Path
) -> tuple[list[Source], list[str]]:
    name = path.name.lower()
    mapped = [table for table, said in mapping.tables.items() if path.name in said.files]
    if name.endswith((*BOOKS, *SQLITE)):
        return _book(path, mapping, mapped, key)
    if not mapped:
        stem = _stem(path)
        if stem.lower() not in TABLES:
            raise _unnamed(path)
        mapped = [stem.lower()]
    if not name.endswith(KNOWN):
        raise InputError(
            f"records must come as {', '.join(KNOWN)}, but this file is another kind.",
            where=path.name,
            do="export it as CSV.",
        )
    opened = _open(path, mapping, mapped, key, folder)
    if opened is None:
        return [], [f"{path.name}: no records"]
    return _bind(opened, mapping, mapped, key), opened.notes


def _unnamed(path: Path) -> InputError:
    return InputError(
        f"a data file must be named after a table ({', '.join(TABLES)}) or be named in a mapping, "
        "but this one is not.",
        where=path.name,
        do="rename it, take it out of the folder, or write a mapping: failstats draft map "
        f"{shlex.quote(path.name)}",
    )


def _open(path: Path, mapping: Mapping, mapped: list[str], key: Key | None,
          folder: Path) -> RowFile | None:  # fmt: skip
    name = path.name.lower()
    said = mapping.table(mapped[0])
    if name.endswith(PARQUET):
        return parquet(path, folder)
    if name.endswith(JSON):
        return json_lines(path, folder, said.encoding)
    read = unpack(path, folder) if name.endswith(".gz") else path
    wanted = [
        frozenset(
            mapping.table(table).columns.get(column.name, column.name)
            for column in TABLES[table].columns
            if column.required
        )
        for table in mapped
    ]
    opened = open_csv(
        read, folder, wanted=wanted, delimiter=said.delimiter, encoding=said.encoding,
        keep_text=key is None and not any(mapping.table(table).drop for table in mapped),
        label=path.name,
    )  # fmt: skip
    return opened


def _book(path: Path, mapping: Mapping, mapped: list[str],
          key: Key | None) -> tuple[list[Source], list[str]]:  # fmt: skip
    is_sheet = path.name.lower().endswith(BOOKS)
    names = sheet_names(path) if is_sheet else sqlite_tables(path)
    pairs: list[tuple[str, list[str]]] = []
    if mapped:
        by_sheet: dict[str, list[str]] = {}
        for table in mapped:
            by_sheet.setdefault(mapping.table(table).sheet or table, []).append(table)
        pairs = list(by_sheet.items())
    else:
        for name in names:
            if name.lower() not in TABLES:
                raise InputError(
                    f"a {'sheet' if is_sheet else 'table'} must be named after a table of ours "
                    f"({', '.join(TABLES)}), but one of {len(names)} is not.",
                    where=path.name,
                    do="rename or remove it, or name the ones to load in a mapping.",
                )
        pairs = [(name, [name.lower()]) for name in names]
    sources, notes = [], []
    for name, tables in pairs:
        if name not in names:
            raise InputError(
                f"the mapping names the sheet {name!r}, but the file has none of that name.",
                where=path.name,
                do="correct sheet in the mapping.",
            )
        opened = xlsx_sheet(path, name) if is_sheet else sqlite_table(path, name)
        if opened is None:
            notes.append(f"{path.name}[{name}]: no records")
        else:
            sources += _bind(opened, mapping, tables, key)
    return sources, notes


def _server(address: str, mapping: Mapping, key: Key | None) -> tuple[list[Source], list[str]]:
    """The tables of a server that are named as ours or in the mapping; others stay there."""
    name = database_name(address)
    by_table: dict[str, list[str]] = {}
    for table, said in mapping.tables.items():
        if name in said.files:
            by_table.setdefault(said.sheet or table, []).append(table)

    def choose(known: list[str]) -> list[str]:
        absent = [table for table in by_table if table not in known]
        if absent:
            raise InputError(
                f"the mapping names {', '.join(map(repr, absent[:5]))}, but the database has none "
                "of that name.",
                where=name,
                do="correct sheet in the mapping, or put its schema on the search path.",
            )
        return list(by_table) or [table for table in known if table in TABLES]

    opened = read_server(address, choose)
    sources = [
        source
        for table, rows in opened.items()
        for source in _bind(rows, mapping, by_table.get(table, [table]), key)
    ]
    return sources, [f"{name}[{table}]: no records" for table in by_table if table not in opened]


def _check_mapped(sources: list[Source], mapping: Mapping, notes: list[str]) -> None:
    for table, said in mapping.tables.items():
        found = [source.file for source in sources if source.table == table]
        for file in said.files:
            if file in found or any(
                text.startswith((f"{file}[", f"{file}:")) for text in (*found, *notes)
            ):
                continue
            raise InputError(
                f"the mapping takes {table} from {file!r}, but that file is not among the sources.",
                where=f"mapping, [tables.{table}]",
                do="name the file or its folder on the command line, or correct the mapping.",
            )


def _bind(opened: RowFile, mapping: Mapping, tables: list[str],
          key: Key | None) -> list[Source]:  # fmt: skip
    titles = _titles(opened)
    bound = {table: _columns(TABLES[table], mapping.table(table), titles) for table in tables}
    used = {at for columns in bound.values() for at in columns.values()}
    dropped = set().union(*(mapping.table(table).drop for table in tables))
    _refuse_unknown(opened, tables, titles, used, dropped)
    plain_values_only(opened, used)
    raw = RawRows(opened, len(tables))
    if key is None:
        ids = {column.name for table in tables for column in TABLES[table].columns
               if column.kind == "id"}  # fmt: skip
        opened.plain = frozenset(
            at for columns in bound.values() for name, at in columns.items() if name in ids
        )
    finest = max(tables, key=list(TABLES).index)
    sources = []
    for table in tables:
        _require(opened, TABLES[table], mapping.table(table), bound[table])
        columns, dialect = bound[table], mapping.table(table).dialect
        shared = {at for other in tables if other != table for at in bound[other].values()}
        own = [at for at in columns.values() if at not in shared] if len(tables) > 1 else []
        source = Source(
            table=table, file=opened.label, sha256=opened.sha256,
            dialect=dialect, columns=tuple(columns), key=key,
            stage=raw.stager(table, columns, own, table == finest, dialect.blanks),
            ahead=raw.ahead,
            ready=raw.in_memory(columns, dialect.blanks),
            let_go=raw.let_go,
        )  # fmt: skip
        _refuse_titles(opened, columns, titles, key)
        sources.append(source)
    return sources


def _titles(opened: RowFile) -> dict[str, int]:
    """Title in lower case -> its place; two titles alike are refused."""
    titles: dict[str, int] = {}
    for at, title in enumerate(opened.header):
        low = title.strip().lower()
        if not low:
            continue
        if low in titles:
            first = opened.header[titles[low]]
            raise InputError(
                f"titles must differ by more than case, but columns {titles[low] + 1} and "
                f"{at + 1} are {_shown(first)} and {_shown(title)}.",
                where=f"{opened.label}, header",
                do="rename or remove one of them.",
            )
        titles[low] = at
    return titles


def _columns(table: Table, said: TableMapping, titles: dict[str, int]) -> dict[str, int]:
    found = {}
    for column in table.columns:
        if column.name in said.columns:
            names: tuple[str, ...] = (said.columns[column.name],)
        else:
            names = (column.name, *column.synonyms)
        here = [name for name in names if name in titles and name not in said.drop]
        if len(here) > 1:
            raise InputError(
                f"a column must be given once, but {' and '.join(here)} mean the same.",
                where=f"{table.name}, header",
                do="remove one, or drop it in the mapping.",
            )
        if here:
            found[column.name] = titles[here[0]]
    return found


def _require(opened: RowFile, table: Table, said: TableMapping, found: dict[str, int]) -> None:
    missing = [column.name for column in table.columns
               if column.required and column.name not in found]  # fmt: skip
    absent = [theirs for ours, theirs in said.columns.items() if ours not in found]
    if missing or absent:
        named = [*missing, *(f"{_shown(title)} (from the mapping)" for title in absent)]
        raise InputError(
            f"{table.name} must have the column{'s' if len(named) > 1 else ''} "
            f"{', '.join(named)}, but the header has not.",
            where=f"{opened.label}, header",
            do="add the column, or say in the mapping which one it is.",
        )


def _shown(title: str) -> str:
    """A title as it may be shown: a header that is a row of data may hold anything."""
    title = title.strip()
    if re.fullmatch(r"[\w .,:;()/#%&'\"=<>+\-]{1,40}", title) and not looks_identifying(title):
        return repr(title)
    return "one that is not shown"


def _refuse_unknown(opened: RowFile, tables: list[str], titles: dict[str, int], used: set[int],
                    dropped: set[str]) -> None:  # fmt: skip
    unknown = [
        opened.header[at] for title, at in titles.items() if at not in used and title not in dropped
    ]
    if not unknown:
        return
    named = ", ".join(_shown(title) for title in unknown[:5])
    personal = [title for title in unknown if identifying_title(title)]
    why = (
        f" {', '.join(_shown(title) for title in personal[:5])} "
        f"look{'s' if len(personal) == 1 else ''} like what identifies somebody or like free text."
        if personal
        else ""
    )
    raise InputError(
        f"every column must be one of {' or '.join(tables)}, but {len(unknown)} "
        f"{'is' if len(unknown) == 1 else 'are'} not: {named}.{why}",
        where=f"{opened.label}, header",
        do="say in the mapping which column it is, or drop it by name: drop = [...].",
    )


def _refuse_titles(opened: RowFile, columns: dict[str, int], titles: dict[str, int],
                   key: Key | None) -> None:  # fmt: skip
    kinds = {column.name: column.kind for table in TABLES.values() for column in table.columns}
    for ours, at in columns.items():
        title = opened.header[at]
        if title.strip().lower() == ours or not identifying_title(title):
            continue
        if kinds[ours] == "text" or (kinds[ours] == "id" and key is None):
            raise InputError(
                f"records must not identify anybody, but {ours} is taken from {_shown(title)}.",
                where=f"{opened.label}, header",
                do="take it from another column, or, for an id, load with --key-file.",
            )
