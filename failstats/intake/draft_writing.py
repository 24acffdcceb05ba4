"""How a file is written, as a draft says it: separator, encoding, dates, decimal mark, texts."""

from __future__ import annotations

import re

from failstats.intake.convert import Dialect, date_orders
from failstats.intake.draft_guess import Guesses
from failstats.intake.draft_sheet import Sheet, is_serial_day
from failstats.units import KINDS

__all__ = ["drop_lines", "plain_text", "sheet_name", "toml_text", "writing_of"]

SHORT_YEAR = re.compile(r"\d{1,2}[-/.]\d{1,2}[-/.]\d{2}")


def sheet_name(sheet: Sheet) -> str:
    """A file, and its sheet, as a comment names them."""
    files = " and ".join(map(plain_text, (sheet.file, *sheet.alike)))
    return files + (f", sheet {plain_text(sheet.sheet)}" if sheet.sheet else "")


def toml_text(value: str) -> str:
    """A TOML string of one line that is read back as it was."""
    escaped = value.strip().replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda c: f"\\u{ord(c[0]):04x}", escaped) + '"'


def plain_text(value: str) -> str:
    """Text for a comment, which ends with its line."""
    return re.sub(r"[\x00-\x1f\x7f]", " ", value).strip()


def writing_of(sheet: Sheet, found: Guesses, asked: list[str]) -> tuple[list[str], Dialect]:
    """How the file is written (separator, encoding, dates, decimal mark), as text and as said."""
    lines = []
    if sheet.delimiter:
        shown = {"\t": '"\\t"'}.get(sheet.delimiter, toml_text(sheet.delimiter))
        lines.append(f"delimiter = {shown}  # guess: it parts the first line into "
                     f"{len(sheet.header)} titles")  # fmt: skip
    if sheet.encoding:
        lines.append(f'encoding = "{sheet.encoding}"  # guess: the file is not UTF-8; look whether '
                     "Ω and accents come out right")  # fmt: skip
    told, order = _dates(sheet, found, asked)
    lines += told
    told, mark = _decimal(sheet, found, asked)
    dialect = Dialect(decimal_mark=mark, date_order={"*": order} if order else {})
    return [*lines, *told], dialect


def drop_lines(sheet: Sheet, places: dict[int, str]) -> list[str]:
    """The columns that are left out, each with its reason."""
    if not places:
        return []
    return [
        "drop = [  # left out, each with the reason; map it if it is wanted",
        *(f"    {toml_text(sheet.header[at])},  # {plain_text(why)}" for at, why in places.items()),
        "]",
    ]


def _dates(sheet: Sheet, found: Guesses, asked: list[str]) -> tuple[list[str], str | None]:
    proved: dict[str, set[str]] = {}
    either: list[str] = []
    short: list[str] = []
    for (_, name), one in found.found.items():
        if one.column.kind != "date":
            continue
        values = list(sheet.values[one.at])
        orders, open_date = date_orders(values)
        if sum(is_serial_day(value) for value in values) > len(values) / 2:
            orders |= {"spreadsheet"}
        if orders:
            proved[name] = orders
        elif open_date:
            either.append(name)
        if any(SHORT_YEAR.fullmatch(value) for value in values):
            short.append(name)
    lines: list[str] = []
    settled = None
    if short:
        asked.append(f"{', '.join(short)}: years of two digits are not read; export four")
    every = set().union(*proved.values()) if proved else set()
    mixed = [name for name, orders in proved.items() if len(orders) > 1]
    if mixed:
        asked.append(f"date_order: {', '.join(mixed)} mix{'es' if len(mixed) == 1 else ''} day "
                     "first and month first; correct the dates")  # fmt: skip
        lines.append('# date_order = "dmy"  # or "mdy": some dates prove the one, some the other')
    elif len(every) == 1:
        settled = order = next(iter(every))
        why = ("most are numbers of days" if order == "spreadsheet"
               else f"some dates of {', '.join(proved)} fit no other order")  # fmt: skip
        also = f"; {', '.join(either)} would fit both" if either else ""
        lines.append(f'date_order = "{order}"  # guess: {why}{also}')
    elif every:
        pairs = ", ".join(f'{name} = "{next(iter(orders))}"' for name, orders in proved.items())
        lines.append("# the columns prove different orders; put into each table its own:")
        lines.append(f"# date_order = {{ {pairs} }}")
        asked.append("date_order: it differs between the columns; put each table's own into it")
    elif either:
        lines.append('# date_order = "dmy"  # or "mdy": the dates fit both; choose')
        asked.append(f'date_order: "dmy" or "mdy"? The dates of {", ".join(either)} fit both')
    return lines, settled


def _decimal(sheet: Sheet, found: Guesses, asked: list[str]) -> tuple[list[str], str | None]:
    comma = point = unclear = 0
    for one in {one.at: one for one in found.found.values()}.values():
        if one.column.kind not in (*KINDS, "number", "money", "whole"):
            continue
        for value in sheet.values[one.at]:
            number = re.match(r"[+-]?[\d.,]*", value)
            text = number[0].lstrip("+-") if number else ""
            if re.fullmatch(r"[1-9]\d{0,2},\d{3}", text):
                unclear += 1
            elif re.fullmatch(r"(\d+|\d{1,3}(\.\d{3})+),\d+", text):
                comma += 1
            elif re.fullmatch(r"(\d+|\d{1,3}(,\d{3})+)\.\d+", text):
                point += 1
    if comma and point:
        return ["# decimal_mark is left open: some numbers have a comma and some a point"], None
    if comma:
        return [
            'decimal_mark = ","  # guess: some numbers have a comma that can be nothing else'
        ], ","
    if unclear:
        if point:
            return [
                'decimal_mark = "."  # guess: some numbers have a point; commas are thousands'
            ], "."
        asked.append('decimal_mark: "," or "."? Numbers such as 1,234 have two readings')
        return ['# decimal_mark = "."  # or ","; numbers with a comma fit both'], None
    return [], None
