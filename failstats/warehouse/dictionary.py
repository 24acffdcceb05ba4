"""The data dictionary as a page, made from the declared tables.

python -m failstats.warehouse.dictionary > failstats/guide/data_dictionary.md
"""

from __future__ import annotations

from failstats.vocabulary import Vocabulary, load_vocabulary
from failstats.warehouse.schema import BOOKKEEPING, TABLES, Column, stored_columns

__all__ = ["dictionary_text"]

KINDS = {
    "text": "text",
    "id": "text (hashed with a key)",
    "word": "one of a list",
    "date": "date",
    "yes_no": "yes/no",
    "whole": "whole number",
    "number": "number",
    "money": "money",
    "length": "length",
    "duration": "time",
    "span": "time span",
    "volume": "volume",
    "reading": "resistance or temperature",
    "lint": "mass or volume",
    "airflow": "velocity or volume flow",
}


def _words(column: Column, words: Vocabulary) -> str:
    if not column.words:
        return ""
    known = words.parts if column.words == "parts" else words.words[column.words]
    return ": " + ", ".join(f"`{word}`" for word in known)


def _blank(column: Column) -> str:
    if column.default is None or "blank" in column.meaning:
        return ""
    shown = {True: "yes", False: "no"}.get(column.default, column.default)  # type: ignore[call-overload]
    return f"blank means {shown}"


def _row(column: Column, words: Vocabulary) -> str:
    name = f"**{column.name}**" if column.required else column.name
    limits = [
        f"at least {column.minimum:g}" if column.minimum is not None else "",
        f"above {column.above:g}" if column.above is not None else "",
        _blank(column),
        "or titled " + ", ".join(column.synonyms) if column.synonyms else "",
    ]
    meaning = "; ".join([column.meaning + _words(column, words), *filter(None, limits)])
    stored = ", ".join(f"`{stored}` {kind}" for stored, kind in stored_columns(column))
    return f"| {name} | {KINDS[column.kind]} | {meaning} | {stored} |"


def dictionary_text(words: Vocabulary | None = None) -> str:
    """Every table and column of the records: what to give, and how it is stored.

    Parameters
    ----------
    words : the known words; the shipped ones if None.

    Returns
    -------
    Markdown.

    Examples
    --------
    >>> dictionary_text().splitlines()[0]
    '# Data dictionary'
    """
    known = words or load_vocabulary()
    lines = [
        "# Data dictionary",
        "",
        "Made from the program's own tables by `python -m failstats.warehouse.dictionary`; "
        "**bold** columns must be given.",
    ]
    for table in TABLES.values():
        lines += [
            "",
            f"## {table.name}: {table.grain}",
            "",
            "A row is the same row when it has the same " + ", ".join(table.key) + ".",
            "",
            "| column | what to give | meaning | stored as |",
            "|---|---|---|---|",
        ]
        lines += [_row(column, known) for column in table.columns]
    lines += ["", "## On every stored row", "", "| column | type |", "|---|---|"]
    lines += [f"| {name} | {kind} |" for name, kind in BOOKKEEPING]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(dictionary_text(), end="")
