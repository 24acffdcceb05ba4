"""What a drafted mapping would send to quarantine: said beside the column, never the value."""

from __future__ import annotations

import datetime as dt

from failstats.intake.convert import Converter, Dialect
from failstats.intake.draft_guess import Guess, Guesses
from failstats.intake.draft_sheet import Sheet
from failstats.vocabulary import Vocabulary
from failstats.warehouse.schema import TABLES, Column

__all__ = ["repeated", "unreadable"]

SHOWN = 2  # reasons beside a column


def unreadable(
    sheet: Sheet, column: Column, one: Guess, found: Guesses, words: Vocabulary, dialect: Dialect,
    unit: str | None, codes: dict[str, str],
) -> list[str]:  # fmt: skip
    """How many rows of a column could not be read under the mapping, and why.

    Parameters
    ----------
    one : the column that is taken for ours.
    dialect : how the file writes dates and numbers.
    unit : what a bare number means; None where it is not settled.
    codes : the file's codes (lower case) -> our words.
    """
    here = Dialect(
        decimal_mark=dialect.decimal_mark, date_order=dialect.date_order,
        units={column.name: unit} if unit else {}, codes={column.name: codes} if codes else {},
    )  # fmt: skip
    converter = Converter(here, words, dt.date.today())
    reasons: dict[str, int] = {}
    for text, times in sheet.values[one.at].items():
        if why := converter.convert(column, text)[1]:
            reasons[why] = reasons.get(why, 0) + times
    lines = []
    if reasons:
        first = sorted(reasons, key=lambda why: (-reasons[why], why))[:SHOWN]
        more = "; and other reasons" if len(reasons) > len(first) else ""
        rows = sum(reasons.values())
        lines.append(f"to quarantine, {_rows(rows)}: {'; '.join(first)}{more}")
    if column.required:
        own = [g.at for (table, _), g in found.found.items() if table == one.table]
        blank = sheet.blank_beside(one.at, own)
        if blank:
            lines.append(f"to quarantine, {_rows(blank)}: {column.name} must be given")
    return lines


def repeated(sheet: Sheet, table: str, found: Guesses) -> list[str]:
    """Part lines that name one part twice with one test."""
    if table != "lines" or ("lines", "position") in found.found:
        return []
    places = [found.found[table, name].at for name in TABLES[table].key
              if (table, name) in found.found]  # fmt: skip
    if ("lines", "job_id") not in found.found or ("lines", "part") not in found.found:
        return []
    rows = sheet.repeats(places)
    if not rows:
        return []
    return [f"to quarantine, {_rows(rows)}: they name a part twice on one job with one test, and "
            "no column says the position"]  # fmt: skip


def _rows(count: int) -> str:
    return f"{count:,} row{'s' if count != 1 else ''}"
