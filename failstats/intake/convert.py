"""One spelling in a file becomes one stored value, or a reason in words why it cannot.

Every distinct spelling of a column is read once; the table of spellings is joined back in SQL.
A reason never repeats the value: it may be a person's name in the wrong column.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from failstats.errors import InputError
from failstats.units import KINDS, parse_number, parse_quantity
from failstats.vocabulary import Vocabulary
from failstats.warehouse.schema import Column

__all__ = ["ERROR_CELL", "SHEET_ERRORS", "Converter", "Dialect", "date_orders", "word_key"]

SHEET_ERRORS = {"#REF!", "#N/A", "#DIV/0!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#ERROR!"}
ERROR_CELL = "must be a value, but it is the error of a spreadsheet's formula"
FIRST_DAY = dt.date(1970, 1, 1)  # no appliance in use has records before it
SPREADSHEET_DAY_0 = dt.date(1899, 12, 30)  # a spreadsheet's day number counts from here
LARGEST_WHOLE = 2**31 - 1
LARGEST_MONEY = 10**10  # exclusive; what DECIMAL(14,4) holds
YES_NO = {
    **dict.fromkeys(("yes", "y", "true", "t", "1"), True),
    **dict.fromkeys(("no", "n", "false", "f", "0"), False),
}
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

_TIME = r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*(?:Z|[+-]\d{2}(?::?\d{2})?)?)?"
_YEAR_FIRST = re.compile(rf"(\d{{4}})([-/.])(\d{{1,2}})\2(\d{{1,2}}){_TIME}")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_YEAR_LAST = re.compile(rf"(\d{{1,2}})([-/.])(\d{{1,2}})\2(\d{{4}}){_TIME}")
_SHORT_YEAR = re.compile(r"\d{1,2}[-/.]\d{1,2}[-/.]\d{2}")
_DAY_NAMED = re.compile(r"(\d{1,2})[-. ]*([A-Za-z]{3,9})[-., ]*(\d{4})")
_NAMED_DAY = re.compile(r"([A-Za-z]{3,9})[-. ]*(\d{1,2})[-., ]+(\d{4})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How one source writes things, as its mapping states it.

    Attributes
    ----------
    decimal_mark : ``.`` or ``,``; None where nothing is stated.
    date_order : ``ymd``, ``dmy``, ``mdy`` or ``spreadsheet``, per column (``*`` for all).
    units : column -> unit of a bare number.
    codes : column -> the source's own code (lower case) -> the word it stands for.
    blanks : further spellings of nothing, lower case.
    """

    decimal_mark: str | None = None
    date_order: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    codes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    blanks: frozenset[str] = frozenset()

    def order(self, column: str) -> str | None:
        """The stated order of a column's dates."""
        return self.date_order.get(column, self.date_order.get("*"))


def word_key(text: str) -> str:
    """A word as it is looked up: lower case, blanks and hyphens as underscores.

    >>> word_key("Heating coil")
    'heating_coil'
    """
    return re.sub(r"[\s\-_]+", "_", text.strip().lower())


def date_orders(texts: list[str]) -> tuple[set[str], str | None]:
    """The orders of day and month that a column's dates prove, and one date that proves nothing.

    Returns
    -------
    (orders proved by some date, an example with two readings or None)
    """
    proved, either = set(), None
    for text in texts:
        found = _YEAR_LAST.fullmatch(text.strip())
        if not found:
            continue
        first, second = int(found[1]), int(found[3])
        if first > 12 >= second:
            proved.add("dmy")
        elif second > 12 >= first:
            proved.add("mdy")
        elif first != second and either is None:
            either = text.strip()
    return proved, either


class Converter:
    """Reads the spellings of one source's columns.

    Parameters
    ----------
    dialect : how the source writes things.
    vocabulary : the known words.
    today : dates after the day after it are refused.
    """

    def __init__(self, dialect: Dialect, vocabulary: Vocabulary, today: dt.date) -> None:
        self.dialect = dialect
        self.vocabulary = vocabulary
        self.last_day = today + dt.timedelta(days=1)
        self._spellings = {
            kind: {
                word_key(spelling): word for spelling, word in vocabulary.spellings(kind).items()
            }
            for kind in ("parts", *vocabulary.words)
        }

    def convert(self, column: Column, text: str) -> tuple[tuple[str | None, ...], str | None]:
        """The stored values of one spelling (as text for SQL to cast), and the reason against it.

        Values are all None where there is a reason, and where the text means nothing.
        """
        width = _width(column)
        codes = self.dialect.codes.get(column.name)
        if codes is not None:
            text = codes.get(text.strip().lower(), text)
            if not text:
                return (None,) * width, None
        if text.startswith("#") and text.strip().upper() in SHEET_ERRORS:
            return (None,) * width, f"{column.name} {ERROR_CELL}"
        try:
            values = self._read(column, text)
        except InputError as fault:
            return (None,) * width, f"{column.name} {fault.what}"
        return values, None

    def _read(self, column: Column, text: str) -> tuple[str | None, ...]:
        kind = column.kind
        if kind in ("text", "id"):
            return (text,)
        if kind == "word":
            return (self._word(column, text),)
        if kind == "date":
            return (self._date(column, text).isoformat(),)
        if kind == "yes_no":
            known = YES_NO.get(text.lower())
            if known is None:
                raise InputError("must be yes or no")
            return ("true" if known else "false",)
        if kind in KINDS:
            return self._quantity(column, text)
        return (self._number(column, text),)

    def _word(self, column: Column, text: str) -> str:
        assert column.words is not None
        word = self._spellings[column.words].get(word_key(text))
        if word is not None:
            return word
        nearest = self.vocabulary.nearest(column.words, word_key(text))
        hint = f"the nearest known one is {nearest}" if nearest else "none is near it"
        raise InputError(f"must be a known word; {hint}")

    def _number(self, column: Column, text: str) -> str:
        if column.kind == "money":
            sign = self.dialect.units.get(column.name)
            if sign:
                text = text.replace(sign, "").strip()
        value = parse_number(text, decimal_mark=self.dialect.decimal_mark)
        _check_range(column, value)
        if column.kind == "whole":
            if value != int(value):
                raise InputError("must be a whole number")
            if abs(value) > LARGEST_WHOLE:
                raise InputError("must be a smaller whole number")
            return str(int(value))
        if column.kind == "money":
            if abs(value) >= LARGEST_MONEY:
                raise InputError("must be a smaller sum")
            return f"{value:.4f}"
        return repr(value)

    def _quantity(self, column: Column, text: str) -> tuple[str | None, ...]:
        found = parse_quantity(
            text,
            kind=column.kind,
            decimal_mark=self.dialect.decimal_mark,
            default_unit=self.dialect.units.get(column.name),
        )
        if found is None:
            return (None,) * _width(column)
        for value in found.values:
            if value is not None and column.kind != "reading":
                _check_range(column, value)
        numbers = tuple(None if value is None else repr(value) for value in found.values)
        return (*numbers, str(found.is_open).lower()) if column.kind == "reading" else numbers

    def _date(self, column: Column, text: str) -> dt.date:
        day = self._parts(self.dialect.order(column.name), text)
        if not FIRST_DAY <= day <= self.last_day:
            raise InputError(
                f"must be between {FIRST_DAY} and tomorrow ({self.last_day}), but is {day}"
            )
        return day

    def _parts(self, order: str | None, text: str) -> dt.date:
        if order == "spreadsheet" and (number := re.fullmatch(r"(\d{1,6})(?:\.\d+)?", text)):
            return SPREADSHEET_DAY_0 + dt.timedelta(days=int(number[1]))
        if found := _YEAR_FIRST.fullmatch(text):
            return _day(int(found[1]), int(found[3]), int(found[4]))
        if found := _COMPACT.fullmatch(text):
            return _day(int(found[1]), int(found[2]), int(found[3]))
        if found := _DAY_NAMED.fullmatch(text):
            return _day(int(found[3]), _month(found[2]), int(found[1]))
        if found := _NAMED_DAY.fullmatch(text):
            return _day(int(found[3]), _month(found[1]), int(found[2]))
        if found := _YEAR_LAST.fullmatch(text):
            first, second, year = int(found[1]), int(found[3]), int(found[4])
            if order in ("dmy", "mdy"):
                day, month = (first, second) if order == "dmy" else (second, first)
                return _day(year, month, day)
            if first == second:
                return _day(year, first, second)
            raise InputError("must have its order of day and month stated in the mapping")
        if _SHORT_YEAR.fullmatch(text):
            raise InputError("must be a date with a year of four digits")
        if re.fullmatch(r"\d{5}(?:\.\d+)?", text):
            raise InputError("must be a date; a day number is read only where the mapping says so")
        raise InputError("must be a date like 2023-04-03")


def _width(column: Column) -> int:
    return {"reading": 3, "lint": 2, "airflow": 2}.get(column.kind, 1)


def _month(name: str) -> int:
    full = ("january", "february", "march", "april", "may", "june", "july", "august",
            "september", "october", "november", "december")  # fmt: skip
    key = name.lower()
    if key in full or key in MONTHS or key == "sept":
        return MONTHS.index(key[:3]) + 1
    raise InputError("must be a date like 2023-04-03")


def _day(year: int, month: int, day: int) -> dt.date:
    if not 1 <= month <= 12:
        raise InputError(f"must be a date, but has the month {month}")
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise InputError(
            f"must be a day of the calendar, but {year:04d}-{month:02d} has no day {day}"
        ) from None


def _check_range(column: Column, value: float) -> None:
    if column.minimum is not None and value < column.minimum:
        raise InputError(f"must be at least {column.minimum:g}, but is {value:g}")
    if column.above is not None and value <= column.above:
        raise InputError(f"must be above {column.above:g}, but is {value:g}")
