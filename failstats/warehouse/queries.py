"""The query files: found, read with their headers, and run.

A file holds one select. Its header is a block of comment lines, `-- key: value`, in the order of
`HEADER`; a value may go on in lines that begin with `--` and three spaces or more. A last key,
`adds`, says how what it returns over separate sets of units makes the whole; see
`failstats.warehouse.adding`. Without it a select needs all units at once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from failstats.errors import QueryError

__all__ = ["HEADER", "Query", "all_queries", "find_query", "queries_folder", "read_query", "reads"]

HEADER = ("name", "answers", "grain", "inputs", "params", "choice", "trap", "source")
#: May follow: how results over separate sets of units add up.
ADDS = "adds"
VIEW_FOLDERS = ("staging", "facts", "checks")
#: Facts that put words to numbers kept elsewhere: views, so that no question pays for columns of
#: millions of rows that it does not read.
WORDED = ("fact_lives", "fact_sockets", "fact_spans")
PARAMETER = re.compile(r"\$([a-z][a-z0-9_]*)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """One query file.

    Attributes
    ----------
    name : equals the file's name.
    folder : the folder of `queries/` it lies in.
    header : key -> text, keys as in `HEADER`.
    adds : how results over separate sets of units add up; empty where they do not.
    sql : the select, without the header.
    params : the names of the `$parameters` in the select.
    """

    name: str
    folder: str
    header: dict[str, str]
    sql: str
    params: tuple[str, ...]
    adds: str = ""

    @property
    def is_view(self) -> bool:
        """True for staging, facts and checks, which take no parameters."""
        return self.folder in VIEW_FOLDERS

    @property
    def is_kept(self) -> bool:
        """True for facts whose rows a session keeps in a temporary table."""
        return self.folder == "facts" and self.name not in WORDED


def queries_folder() -> Path:
    """Where the query files lie: in the installed package, else in the checkout."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "_queries", package.parent / "queries"):
        if folder.is_dir():
            return folder
    raise QueryError(
        "the query files must be installed with the package, but none were found.",
        where=str(package),
        do="install failstats again.",
    )


def read_query(path: Path) -> Query:
    """Read one file and its header.

    Raises
    ------
    QueryError : the header is missing, in another order, or the name is not the file's.
    """
    header: dict[str, str] = {}
    key = ""
    lines = path.read_text("utf-8").splitlines()
    count = 0
    for line in lines:
        if not line.startswith("--"):
            break
        count += 1
        found = re.match(r"-- ([a-z]+): ?(.*)", line)
        if found:
            key = found[1]
            header[key] = found[2].strip()
        elif key:
            header[key] = f"{header[key]} {line[2:].strip()}".strip()
    adds = header.pop(ADDS, "") if next(reversed(header), "") == ADDS else ""
    if tuple(header) != HEADER or header["name"] != path.stem:
        raise QueryError(
            f"a query file begins with the header {', '.join(HEADER)} and its own name, but "
            f"{path.name} has {', '.join(header) or 'none'}.",
            where=str(path),
            do="write the header in that order.",
        )
    sql = "\n".join(lines[count:]).strip().rstrip(";")
    bare = re.sub(r"--[^\n]*", "", sql)
    params = tuple(sorted(set(PARAMETER.findall(bare))))
    return Query(
        name=path.stem,
        folder=path.parent.name,
        header=header,
        sql=sql,
        params=params,
        adds=adds,
    )


_known: dict[Path, dict[str, Query]] = {}


def all_queries() -> dict[str, Query]:
    """Every query by name.

    >>> all_queries()["fact_lives"].is_view
    True
    """
    folder = queries_folder()
    if folder not in _known:
        found = [read_query(path) for path in sorted(folder.glob("*/*.sql"))]
        names = [query.name for query in found]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise QueryError(
                f"a query's name must be used once, but {', '.join(twice)} is used again.",
                where=str(folder),
                do="rename one of the files.",
            )
        _known[folder] = {query.name: query for query in found}
    return _known[folder]


def find_query(name: str) -> Query:
    """One query by its name.

    Raises
    ------
    QueryError : there is none; the message lists what there is.
    """
    known = all_queries()
    if name not in known:
        raise QueryError(
            f"a query must be one of the files in queries/, but {name!r} is not.",
            where="known: " + ", ".join(sorted(known)),
            do="correct the name.",
        )
    return known[name]


def reads(query: Query) -> list[str]:
    """The views a select reads from, by name."""
    known = all_queries()
    words = set(re.findall(r"\b(?:stg|fact|check)_[a-z0-9_]+\b", query.sql))
    return sorted(word for word in words if word in known and word != query.name)
