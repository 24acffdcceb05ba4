"""Plain words and aligned tables for a terminal, fit to be pasted into a mail.

Nothing here depends on colour; bold is used on a terminal that has not asked for none
(``NO_COLOR``, https://no-color.org) and never in a pipe. Control characters in the company's own
codes are shown as ``?``, so that a record cannot steer somebody's terminal.
"""

from __future__ import annotations

import math
import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:  # the commands' help answers at once without it
    import pandas as pd

__all__ = [
    "answer_text",
    "bold",
    "clean",
    "duration_text",
    "interval_text",
    "money",
    "number_text",
    "path_text",
    "share_text",
    "table",
    "width_of",
    "wrap",
]

DAYS_PER_YEAR = 365.25
YEARS_FROM = 730.5  # durations of two years and more are said in years
NARROWEST = 10  # characters a wrapped column keeps
SIGNS = {"USD": "$", "EUR": "€", "GBP": "£", "JPY": "¥"}
UNKNOWN = "unknown"


def _missing(value: Any) -> bool:
    if value is None or type(value).__name__ in ("NAType", "NaTType"):
        return True
    return isinstance(value, float) and math.isnan(value)


def _known(value: float | None) -> float | None:
    """The number, or None for everything that stands for "not known"."""
    return None if _missing(value) or value is None else float(value)


def clean(text: Any) -> str:
    """Text that is safe to print: line breaks become spaces, control characters ``?``.

    >>> clean("a\\x1b[31mb\\nc")
    'a?[31mb c'
    """
    flat = " ".join(str(text).split())
    return "".join("?" if unicodedata.category(c) in ("Cc", "Cf", "Cs") else c for c in flat)


def path_text(path: str | Path) -> str:
    """A file as it was named, for whoever reads it elsewhere: no folders of this machine.

    >>> path_text("mine/costs.toml"), path_text(Path.cwd() / "costs.toml")
    ('mine/costs.toml', 'costs.toml')
    """
    given = Path(path)
    return given.name if given.is_absolute() else given.as_posix()


def width_of(text: str) -> int:
    """How many terminal cells a text takes (wide characters two, combining marks none)."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def share_text(share: float | None, *, sign: bool = True) -> str:
    """A share the way a person says it.

    Parameters
    ----------
    share : between 0 and 1, or unknown.
    sign : whether to write the per-cent sign.

    Returns
    -------
    ``15 %``; one decimal below 10 % and above 99 %; never a rounded 0 % or 100 %.

    >>> share_text(0.153), share_text(0.042), share_text(0.00001), share_text(0.9999)
    ('15 %', '4.2 %', 'under 0.1 %', 'over 99.9 %')
    """
    known = _known(share)
    if known is None:
        return UNKNOWN
    percent = 100.0 * known
    end = " %" if sign else ""
    size = abs(percent)
    if 0 < size < 0.05:
        return f"under 0.1{end}"
    if 99.95 < size < 100:
        return f"over 99.9{end}"
    if size in (0.0, 100.0):
        return f"{percent:.0f}{end}"
    digits = 1 if size < 9.95 or 99 < size < 100 else 0
    return f"{percent:.{digits}f}{end}"


def duration_text(days: float | None, *, unit: bool = True, like: float | None = None) -> str:
    """A length of time: years from two years on, else days.

    Parameters
    ----------
    days : the time in days, or unknown.
    unit : whether to write the unit.
    like : take the unit that this many days would get (for the ends of an interval).

    >>> duration_text(4492.6), duration_text(90)
    ('12.3 years', '90 days')
    """
    known = _known(days)
    if known is None:
        return UNKNOWN
    if math.isinf(known):
        return "no limit"
    measure = known if like is None else float(like)
    if abs(measure) >= YEARS_FROM:
        return f"{known / DAYS_PER_YEAR:,.1f}" + (" years" if unit else "")
    return f"{known:,.0f}" + (" days" if unit else "")


def money(amount: float | None, currency: str = "USD", *, decimals: int = 2) -> str:
    """An amount of the company's one currency.

    Parameters
    ----------
    amount : the money, or unknown.
    currency : its code (ISO 4217).
    decimals : digits after the point.

    >>> money(95, "USD"), money(-1250.5, "CHF")
    ('$95.00', '-1,250.50 CHF')
    """
    value = _known(amount)
    if value is None:
        return UNKNOWN
    figure = f"{abs(value):,.{decimals}f}"
    minus = "-" if value < 0 and float(figure.replace(",", "")) != 0 else ""
    sign = SIGNS.get(currency)
    return f"{minus}{sign}{figure}" if sign else f"{minus}{figure} {clean(currency)}"


def number_text(value: float | None, *, digits: int = 3) -> str:
    """A plain number: whole ones with thousands marks, others to a few significant digits.

    >>> number_text(12345), number_text(1.23456), number_text(None)
    ('12,345', '1.23', 'unknown')
    """
    number = _known(value)
    if number is None:
        return UNKNOWN
    if math.isinf(number):
        return "no limit"
    if number == int(number) and abs(number) < 1e15:
        return f"{int(number):,}"
    if abs(number) >= 10**digits:
        return f"{number:,.0f}"
    return f"{number:.{digits}g}"


def interval_text(
    value: float | None,
    low: float | None,
    high: float | None,
    *,
    kind: str = "number",
    currency: str = "USD",
    decimals: int = 2,
) -> str:
    """An estimate with its doubt, the unit said once.

    Parameters
    ----------
    value, low, high : estimate and interval; share 0 to 1, days, money or a plain number.
    kind : "share", "days", "money", "ratio" or "number".
    currency, decimals : code of the money and digits after its point.

    Returns
    -------
    ``12.3 years (11.1 to 13.6)``; without an interval, the estimate alone with "no interval".

    >>> interval_text(4492.6, 4054, 4967, kind="days")
    '12.3 years (11.1 to 13.6)'
    """

    def say(number: float | None, *, unit: bool) -> str:
        if kind == "share":
            return share_text(number, sign=unit)
        if kind == "days":
            return duration_text(number, unit=unit, like=value)
        if kind == "money":
            return money(number, currency, decimals=decimals)
        if kind == "ratio":
            known = _known(number)
            return UNKNOWN if known is None else f"{known:.2f}"
        if kind == "number":
            return number_text(number)
        raise ValueError(f"kind must be share, days, money, ratio or number, but is {kind!r}.")

    if _missing(value):
        return UNKNOWN
    if _missing(low) and _missing(high):
        return f"{say(value, unit=True)} (no interval)"
    return f"{say(value, unit=True)} ({say(low, unit=False)} to {say(high, unit=False)})"


def terminal_width(stream: TextIO | None = None) -> int:
    """Columns to write for: the terminal's, or 100 in a pipe (``COLUMNS`` decides if set)."""
    return max(40, shutil.get_terminal_size((100, 24)).columns)


def wrap(text: str, *, width: int | None = None, indent: str = "") -> str:
    """A paragraph broken at words to the width of the terminal."""
    room = width or terminal_width()
    return textwrap.fill(
        clean(text), room, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    )


def bold(text: str, *, stream: TextIO | None = None) -> str:
    """The text in bold where that can be seen; unchanged in a pipe or under ``NO_COLOR``."""
    target = stream or sys.stdout
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    if plain or not getattr(target, "isatty", lambda: False)():
        return text
    return f"\x1b[1m{text}\x1b[0m"


def _cell(value: Any) -> str:
    if _missing(value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)) or hasattr(value, "dtype"):
        try:
            return number_text(float(value))
        except (TypeError, ValueError):
            return clean(value)
    return clean(value)


def _pad(text: str, width: int, *, right: bool) -> str:
    space = " " * max(0, width - width_of(text))
    return space + text if right else text + space


def _as_rows(source: Any, columns: Any) -> tuple[list[str], list[str], list[list[Any]]]:
    if hasattr(source, "columns"):
        records = source.to_dict("records")
        known = [str(c) for c in source.columns]
    else:
        records = [dict(row) for row in source]
        known = list(dict.fromkeys(key for row in records for key in row))
    if columns is None:
        keys, heads = known, [key.replace("_", " ") for key in known]
    elif isinstance(columns, Mapping):
        keys, heads = list(columns), [str(x) for x in columns.values()]
    else:
        keys = list(columns)
        heads = [key.replace("_", " ") for key in keys]
    unknown = [key for key in keys if key not in known]
    if unknown and records:
        raise ValueError(
            f"columns must be among {', '.join(known)}, but {', '.join(unknown)} is asked for."
        )
    return keys, heads, [[row.get(key) for key in keys] for row in records]


def table(
    source: pd.DataFrame | Iterable[Mapping[str, Any]],
    *,
    columns: Sequence[str] | Mapping[str, str] | None = None,
    right: Iterable[str] | None = None,
    width: int | None = None,
) -> str:
    """Rows as an aligned text table.

    Parameters
    ----------
    source : a frame, or rows as mappings.
    columns : which columns in which order; a mapping gives their headings too.
    right : columns set flush right (default: those holding only numbers).
    width : characters to fit into (default: the terminal's).

    Returns
    -------
    The table without a closing line break; long words are wrapped inside their column, and where
    even that does not fit, each row becomes a small block of ``heading: value`` lines.

    >>> print(table([{"part": "coil", "failed": 12}, {"part": "cutout", "failed": 3}]))
    part    failed
    ------  ------
    coil        12
    cutout       3
    """
    keys, heads, raw = _as_rows(source, columns)
    if not raw or not keys:
        return "(no rows)"
    if right is None:
        numeric = {
            key
            for i, key in enumerate(keys)
            if all(
                _missing(row[i])
                or (isinstance(row[i], (int, float)) and not isinstance(row[i], bool))
                or getattr(row[i], "dtype", None) is not None
                for row in raw
            )
        }
    else:
        numeric = set(right)
    cells = [[_cell(value) for value in row] for row in raw]
    sizes = [
        max(width_of(heads[i]), *(width_of(row[i]) for row in cells)) for i in range(len(keys))
    ]
    room = (width or terminal_width()) - 2 * (len(keys) - 1)
    floors = [
        size
        if keys[i] in numeric
        else min(size, max([NARROWEST, *(width_of(w) for w in heads[i].split())]))
        for i, size in enumerate(sizes)
    ]
    if sum(floors) > room:
        return _blocks(heads, cells, width or terminal_width())
    while sum(sizes) > room:
        spare = [size - floor for size, floor in zip(sizes, floors, strict=True)]
        sizes[spare.index(max(spare))] -= 1
    aligned = [key in numeric for key in keys]
    lines = [*_lines(heads, sizes, aligned), "  ".join("-" * size for size in sizes)]
    for row in cells:
        lines += _lines(row, sizes, aligned)
    return "\n".join(line.rstrip() for line in lines)


def _lines(row: Sequence[str], sizes: Sequence[int], right: Sequence[bool]) -> list[str]:
    """One table row as one or more lines, each cell wrapped to its column."""
    broken = [
        textwrap.wrap(cell, size, break_on_hyphens=False) or [""]
        for cell, size in zip(row, sizes, strict=True)
    ]
    depth = max(len(parts) for parts in broken)
    return [
        "  ".join(
            _pad(parts[i] if i < len(parts) else "", size, right=flush)
            for parts, size, flush in zip(broken, sizes, right, strict=True)
        )
        for i in range(depth)
    ]


def _blocks(heads: Sequence[str], cells: Sequence[Sequence[str]], width: int) -> str:
    """Rows as blocks of ``heading: value``, for a terminal too narrow for the table."""
    blocks = []
    for row in cells:
        lines = [
            textwrap.fill(f"{head}: {cell}", width, subsequent_indent="  ")
            for head, cell in zip(heads, row, strict=True)
            if cell
        ]
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def answer_text(
    headline: str,
    body: str = "",
    caveats: Iterable[str] = (),
    *,
    width: int | None = None,
    stream: TextIO | None = None,
) -> str:
    """An answer the way it is read: the one sentence, then the table, then what to doubt.

    Parameters
    ----------
    headline : the answer in one sentence.
    body : a finished table or text, printed as it is.
    caveats : sentences of doubt, printed last.
    width : characters to wrap to.
    stream : where it will be printed; decides about bold.
    """
    parts = [bold(wrap(headline, width=width), stream=stream)]
    if body:
        parts.append(body)
    room = width or terminal_width()
    notes = [
        textwrap.fill(
            clean(note),
            room,
            initial_indent="note: ",
            subsequent_indent="      ",
            break_on_hyphens=False,
        )
        for note in caveats
        if note
    ]
    if notes:
        parts.append("\n".join(notes))
    return "\n\n".join(parts)
