"""Tables of answers as CSV files and as rows of a page; small counts withheld when asked."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from failstats.show.quantities import as_shown, shown_unit
from failstats.show.text import clean, number_text, share_text

__all__ = [
    "MIN_CELL",
    "PageTable",
    "can_be_judged",
    "csv_text",
    "page_table",
    "safe_cell",
    "withhold_small",
]

MIN_CELL = 10  # units a cell must rest on to be shown to outsiders (contract, section 3)
ROWS_ON_PAGE = 200
UNIT_COLUMNS = ("unit_count", "units")
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
SHARE_WORDS = ("share", "completion", "survival", "survival_5y", "attributable_share")


@dataclass(frozen=True, slots=True, kw_only=True)
class PageTable:
    """A table ready for the page.

    heads, rows : texts. right : which columns hold numbers. left_out : rows not on the page.
    few : the number of units below which a cell is marked; 0 where none is.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[bool, ...]
    left_out: int
    few: int = 0


def _unknown(value: Any) -> bool:
    if value is None or value is pd.NA or value is pd.NaT:
        return True
    return isinstance(value, float) and not math.isfinite(value)


def safe_cell(value: Any) -> Any:
    """A value that a spreadsheet will not run as a formula.

    Parameters
    ----------
    value : a cell; only text is changed.

    Returns
    -------
    Text that starts with ``= + - @``, a tab or a carriage return gets an apostrophe in front;
    numbers stay numbers, unknown is empty.

    >>> safe_cell("=1+1"), safe_cell(-3.5), safe_cell(None)
    ("'=1+1", -3.5, '')
    """
    if _unknown(value):
        return ""
    if isinstance(value, str):
        return "'" + value if value.lstrip(" \n").startswith(FORMULA_STARTS) else value
    if isinstance(value, (list, tuple, dict, set)):
        return safe_cell("; ".join(str(x) for x in value))
    return value


def csv_text(frame: pd.DataFrame) -> str:
    """The table as CSV: comma, one heading line, text that no spreadsheet runs."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([safe_cell(str(name)) for name in frame.columns])
    for row in frame.astype(object).itertuples(index=False, name=None):
        writer.writerow([safe_cell(value) for value in row])
    return out.getvalue()


def _unit_column(frame: pd.DataFrame) -> str | None:
    for name in frame.columns:
        if str(name) in UNIT_COLUMNS or str(name).endswith("_unit_count"):
            return str(name)
    return None


def can_be_judged(frame: pd.DataFrame) -> bool:
    """Whether the rows say on how many units (or lives at risk) they rest; an empty table does."""
    return frame.empty or "at_risk" in frame.columns or _unit_column(frame) is not None


def withhold_small(frame: pd.DataFrame, *, min_cell: int = MIN_CELL) -> tuple[pd.DataFrame, int]:
    """Blank the figures of rows that rest on too few units to be shown to outsiders.

    Parameters
    ----------
    frame : a table; only one with a column unit_count or units can be judged.
    min_cell : units a row must rest on.

    Returns
    -------
    The table with numbers blanked in such rows, and how many rows were blanked. Where exactly one
    row would be, the next smallest is blanked too, since the one could be had by subtraction.

    Notes
    -----
    Steps of a life curve (column at_risk) are left out altogether: fewer lives at risk than
    ``min_cell`` are fewer units too. They are no parts of a total, so none goes with them.
    """
    if "at_risk" in frame.columns:
        sound = pd.to_numeric(frame["at_risk"], errors="coerce") >= min_cell
        return frame[sound].reset_index(drop=True), 0
    column = _unit_column(frame)
    if column is None or frame.empty:
        return frame, 0
    units = pd.to_numeric(frame[column], errors="coerce")
    small = (units < min_cell) | units.isna()
    if small.sum() == 1 and len(frame) > 1:
        small = small | (frame.index == units[~small].idxmin())
    if not small.any():
        return frame, 0
    shown = frame.astype(object).copy()
    for name in frame.columns:
        if pd.api.types.is_numeric_dtype(frame[name]) or _holds_numbers(frame[name]):
            shown.loc[small, name] = None
        else:
            told = small & frame[name].map(_is_sentence)
            shown.loc[told, name] = None
    return shown, int(small.sum())


def _is_sentence(value: Any) -> bool:
    """Whether a text is a sentence with a figure in it, and no name."""
    return isinstance(value, str) and value.rstrip().endswith(".") and any(map(str.isdigit, value))


def _holds_numbers(column: pd.Series) -> bool:
    """Whether an object column carries figures (numbers, lists) rather than words."""
    return any(isinstance(x, (int, float, list, tuple, dict)) for x in column if not _unknown(x))


def _is_share(name: str) -> bool:
    stem = name.removesuffix("_low").removesuffix("_high")
    return stem in SHARE_WORDS or stem.endswith("_share")


#: Columns whose cells are words of the vocabulary or of an answer, said without underscores.
CODES = frozenset((
    "after", "also", "cause", "complaint", "contrast", "dependence_verdict", "direction",
    "estimator", "exposure", "finding", "first", "habit_by", "kept", "least", "measured", "mode",
    "part", "parts", "reading", "recommend", "role", "runner_up", "second", "test", "verdict",
    "way", "when",
))  # fmt: skip


def _words(name: str, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if _unknown(value):
        return ""
    if isinstance(value, (int, float)) or hasattr(value, "dtype"):
        number = float(value)
        stored = _stored(name)
        if stored is not None:
            return number_text(as_shown(number, stored))
        if _is_share(name):
            return share_text(number)
        if name.endswith("_days"):
            return f"{number:,.0f}"
        if 0 < abs(number) < 0.001:
            return "under 0.001" if number > 0 else f"{number:.1e}"
        return number_text(number)
    if isinstance(value, (list, tuple)):
        return ", ".join(clean(x) for x in value)
    return clean(value).replace("_", " ") if name in CODES else clean(value)


def _stored(name: str) -> str | None:
    """The unit of a column that is shown in the reader's own."""
    return next((k for k in ("m", "l", "celsius") if name.endswith(f"_{k}")), None)


def _head(name: str) -> str:
    stored = _stored(name)
    ends = [("_days", "days"), ("_years", "years"), ("_ohm", "ohm")]
    if stored is not None:
        ends.append((f"_{stored}", shown_unit(stored)))
    for end, unit in ends:
        if name.endswith(end) and len(name) > len(end):
            return f"{name[: -len(end)].replace('_', ' ')} ({unit})"
    return name.replace("_", " ")


def _ends(names: list[str]) -> dict[str, tuple[str, str]]:
    """Interval columns by the name they are joined under, keyed by the lower end's column."""
    found = {}
    for name in names:
        if name == "low" and "high" in names:
            found[name] = ("interval", "high")
        elif name.endswith("_low") and name[:-4] + "_high" in names:
            found[name] = (_head(name[:-4]) + " interval", name[:-4] + "_high")
    return found


def page_table(frame: pd.DataFrame) -> PageTable:
    """The table as a person reads it: shares in per cent, intervals in one column, no codes.

    Parameters
    ----------
    frame : a tidy table; at most 200 rows go on the page, the CSV has them all. Counts
        of fewer than ten units are marked.
    """
    names = [str(name) for name in frame.columns]
    ends = _ends(names)
    uppers = {upper for _, upper in ends.values()}
    before: dict[str, str] = {}
    for i, name in enumerate(names):
        if name == "low" and i:
            before[name] = names[i - 1]
    heads: list[str] = []
    columns: list[list[str]] = []
    right: list[bool] = []
    counted, few = _unit_column(frame), 0
    part = frame.head(ROWS_ON_PAGE).astype(object)
    part.columns = names
    for name in names:
        if name in uppers:
            continue
        values = part[name].tolist()
        if name in ends:
            label, upper = ends[name]
            kind = before.get(name, name)
            pairs = zip(values, part[upper].tolist(), strict=True)
            columns.append([_interval(kind, low, high) for low, high in pairs])
            heads.append(label)
            right.append(True)
            continue
        cells = [_words(name, value) for value in values]
        if name == counted:
            small = [not _unknown(value) and float(value) < MIN_CELL for value in values]
            cells = [f"{c} (few)" if s else c for c, s in zip(cells, small, strict=True)]
            few = MIN_CELL if any(small) else 0
        columns.append(cells)
        heads.append(_head(name))
        known = [x for x in values if not _unknown(x)]
        right.append(
            bool(known) and all(not isinstance(x, (str, bool, list, tuple)) for x in known)
        )
    return PageTable(
        heads=tuple(heads),
        rows=tuple(zip(*columns, strict=True)) if columns else (),
        right=tuple(right),
        left_out=max(0, len(frame) - ROWS_ON_PAGE),
        few=few,
    )


def _interval(name: str, low: Any, high: Any) -> str:
    if _unknown(low) and _unknown(high):
        return ""
    ends = [_words(name, end) or "no limit" for end in (low, high)]
    if all(end.endswith(" %") for end in ends):
        ends[0] = ends[0].removesuffix(" %")
    return f"{ends[0]} to {ends[1]}"
