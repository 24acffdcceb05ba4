"""The mapping file: how a company's files differ from the contract, in TOML.

::

    currency = "USD"
    records_to = 2023-12-31
    delimiter = ";"              # for all files; each of these may also stand in a table's section
    date_order = "dmy"
    drop = ["customer", "notes"]

    [tables.units]
    file = "export.csv"          # or several alike, ["2023.csv", "2024.csv"];
                                 # default: the file named after the table
    [tables.units.columns]       # ours = "theirs"
    unit_id = "Serial"
    [tables.units.units]         # what a bare number means
    duct_length = "ft"
    [tables.units.codes.fuel]    # theirs = ours; "" for a code that says nothing
    "1" = "electric"

Several tables may name the same file: a flat export is split so, a row going to every table for
which it says more than what it shares with the others.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from failstats.errors import InputError
from failstats.intake.convert import Dialect, word_key
from failstats.intake.prepass import ENCODINGS
from failstats.units import KINDS, unit_dimension
from failstats.vocabulary import Vocabulary
from failstats.warehouse.schema import TABLES

__all__ = ["Mapping", "TableMapping", "read_mapping"]

WRITING = {"delimiter", "encoding", "decimal_mark", "date_order", "blank", "drop"}
TOP = WRITING | {"currency", "records_from", "records_to", "tables"}
SECTION = WRITING | {"file", "sheet", "columns", "units", "codes"}
ORDERS = ("ymd", "dmy", "mdy", "spreadsheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class TableMapping:
    """How one table is written.

    Attributes
    ----------
    files : names of the files; none for the file named after the table.
    sheet : of an XLSX or SQLite file.
    columns : our column -> their title, lower case.
    drop : their titles that are not loaded, lower case.
    """

    files: tuple[str, ...] = ()
    sheet: str | None = None
    columns: dict[str, str] = field(default_factory=dict)
    drop: frozenset[str] = frozenset()
    delimiter: str | None = None
    encoding: str | None = None
    dialect: Dialect = field(default_factory=Dialect)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapping:
    """A whole mapping file; an empty one where there is none."""

    tables: dict[str, TableMapping] = field(default_factory=dict)
    currency: str | None = None
    records_from: dt.date | None = None
    records_to: dt.date | None = None
    base: TableMapping = field(default_factory=TableMapping)

    def table(self, name: str) -> TableMapping:
        """How a table is written."""
        return self.tables.get(name, self.base)


def read_mapping(path: Path | None, vocabulary: Vocabulary) -> Mapping:
    """Read a mapping file and check every word of it.

    Raises
    ------
    InputError : naming the key; nothing in a mapping is ignored.
    """
    if path is None:
        return Mapping()
    where = Path(path).name
    try:
        tree = tomllib.loads(Path(path).read_text("utf-8-sig"))
    except OSError as fault:
        what = f"a mapping file must be readable, but it is not ({fault.strerror})"
        raise _fault(what, where) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise _fault(f"a mapping file must be TOML, but: {fault}", where) from None
    _only(tree, TOP, where)
    _only(tree.get("tables", {}), set(TABLES), f"{where}, [tables]")
    start, end = tree.get("records_from"), tree.get("records_to")
    for name, day in (("records_from", start), ("records_to", end)):
        if day is not None and (not isinstance(day, dt.date) or isinstance(day, dt.datetime)):
            raise _fault(f"{name} must be a date like 2023-12-31, without quotes", where)
        if day is not None and day > dt.date.today() + dt.timedelta(days=1):
            what = f"{name} must not lie in the future, where nothing is recorded, but it is {day}"
            raise _fault(what, where)
    if start and end and end < start:
        raise _fault(f"records_to must be on or after records_from, but {end} < {start}", where)
    currency = tree.get("currency")
    if currency is not None and not (
        isinstance(currency, str) and len(currency) == 3 and currency.isalpha()
    ):
        raise _fault('currency must be a code of three letters like "USD"', where)
    tables = {
        name: _table(name, section, tree, f"{where}, [tables.{name}]", vocabulary)
        for name, section in tree.get("tables", {}).items()
    }
    return Mapping(
        tables=tables, currency=currency.upper() if currency else None, records_from=start,
        records_to=end, base=_table(None, {}, tree, where, vocabulary),
    )  # fmt: skip


def _fault(what: str, where: str) -> InputError:
    return InputError(
        f"{what}.", where=where,
        do="correct the mapping; failstats draft map writes one to start from.",
    )  # fmt: skip


def _only(section: Any, known: set[str], where: str) -> None:
    if not isinstance(section, dict):
        raise _fault("a section must be a table of keys", where)
    unknown = sorted(set(section) - known)
    if unknown:
        raise _fault(
            f"the keys here are {', '.join(sorted(known))}, but {', '.join(unknown)} "
            f"{'is' if len(unknown) == 1 else 'are'} given", where,
        )  # fmt: skip


def _table(name: str | None, section: dict[str, Any], tree: dict[str, Any], where: str,
           vocabulary: Vocabulary) -> TableMapping:  # fmt: skip
    _only(section, SECTION, where)
    kinds = {column.name: column for column in TABLES[name].columns} if name else {}
    said = {key: section.get(key, tree.get(key)) for key in WRITING}
    drop = [*_texts(tree.get("drop", []), "drop", where),
            *_texts(section.get("drop", []), "drop", where)]  # fmt: skip
    delimiter, encoding, mark = said["delimiter"], said["encoding"], said["decimal_mark"]
    if delimiter is not None and not (isinstance(delimiter, str) and len(delimiter) == 1):
        raise _fault("delimiter must be one character", where)
    if delimiter in ('"', "\n", "\r"):
        raise _fault("delimiter must not be a quote or a line end", where)
    if encoding is not None and str(encoding).lower() not in ENCODINGS:
        raise _fault(f"encoding must be one of {', '.join(sorted(ENCODINGS))}", where)
    if mark not in (None, ".", ","):
        raise _fault('decimal_mark must be "." or ","', where)
    columns = section.get("columns", {})
    _only(columns, set(kinds), f"{where}, columns")
    for ours, theirs in columns.items():
        if not isinstance(theirs, str) or not theirs.strip():
            raise _fault(f"{ours} must be given the title it has in the file", where)
    units = section.get("units", {})
    _only(units, set(kinds), f"{where}, units")
    for column, unit in units.items():
        kind = kinds[column].kind
        if kind == "money":
            continue
        if kind not in KINDS:
            raise _fault(f"{column} is no quantity and takes no unit", where)
        dimension = unit_dimension(str(unit))
        if dimension not in dict(KINDS[kind]):
            wanted = " or ".join(known for known, _ in KINDS[kind])
            raise _fault(f"the unit of {column} must be of {wanted}, but {unit!r} is not", where)
    codes = section.get("codes", {})
    _only(codes, set(kinds), f"{where}, codes")
    for column, table in codes.items():
        words = kinds[column].words
        known = {word_key(w) for w in vocabulary.spellings(words)} if words else None
        for theirs, ours in table.items():
            unknown = known is not None and ours and word_key(str(ours)) not in known
            if not isinstance(ours, str) or unknown:
                raise _fault(f"codes of {column} must lead to known words, but {theirs!r} does not",
                             where)  # fmt: skip
    return TableMapping(
        files=_files(section.get("file", []), where), sheet=section.get("sheet"),
        columns={ours: theirs.strip().lower() for ours, theirs in columns.items()},
        drop=frozenset(title.strip().lower() for title in drop),
        delimiter=delimiter, encoding=encoding,
        dialect=Dialect(
            decimal_mark=mark, date_order=_orders(said["date_order"], kinds, where), units=units,
            codes={column: {theirs.strip().lower(): ours for theirs, ours in table.items()}
                   for column, table in codes.items()},
            blanks=frozenset(text.strip().lower()
                             for text in _texts(said["blank"] or [], "blank", where)),
        ),
    )  # fmt: skip


def _files(value: Any, where: str) -> tuple[str, ...]:
    names = tuple(_texts([value] if isinstance(value, str) else value, "file", where))
    if any("/" in name or "\\" in name for name in names):
        raise _fault("file must be a name without its folder, which the command names", where)
    return names


def _texts(value: Any, key: str, where: str) -> list[str]:
    if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
        raise _fault(f"{key} must be a list of texts", where)
    return value


def _orders(value: Any, kinds: dict[str, Any], where: str) -> dict[str, str]:
    if value is None:
        return {}
    table = {"*": value} if isinstance(value, str) else value
    if not isinstance(table, dict):
        raise _fault("date_order must be a text, or a table of columns", where)
    for column, order in table.items():
        if order not in ORDERS:
            raise _fault(f"date_order must be one of {', '.join(ORDERS)}", where)
        if kinds and column != "*" and (column not in kinds or kinds[column].kind != "date"):
            raise _fault(f"date_order names {column}, which is no date of this table", where)
    return dict(table)
