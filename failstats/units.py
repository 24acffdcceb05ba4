"""How a person writes a quantity (``9,9 Ω``, ``OL``, ``12'6"``, ``320F``) and what number it is.

The text is read by a small grammar of our own and never handed to pint, which reads ``9,9 Ω`` as
99 ohm and ``160 C`` as a charge. Pint supplies the factor between two units and checks that the
dimension is right; one registry serves the whole program.
"""

from __future__ import annotations

import functools
import math
import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

from failstats.errors import InputError

if TYPE_CHECKING:
    import pint

__all__ = [
    "KINDS", "Quantity", "converted", "parse_number", "parse_quantity", "registry",
    "unit_dimension",
]  # fmt: skip

LONGEST = 40  # characters; a longer text is not a quantity somebody wrote down
DIGITS = 12  # significant digits kept, so that 320 °F and 160 °C are the same number

# unit as written -> (pint's name, dimension); spellings are tried as written, then in lower case
_UNITS: dict[str, tuple[str, str]] = {
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), ("meter", "length")),
    **dict.fromkeys(("cm",), ("centimeter", "length")),
    **dict.fromkeys(("mm",), ("millimeter", "length")),
    **dict.fromkeys(("ft", "ft.", "foot", "feet", "'"), ("foot", "length")),
    **dict.fromkeys(("in", "in.", "inch", "inches", '"'), ("inch", "length")),
    **dict.fromkeys(("s", "sec", "second", "seconds"), ("second", "time")),
    **dict.fromkeys(("min", "min.", "mins", "minute", "minutes"), ("minute", "time")),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), ("hour", "time")),
    **dict.fromkeys(("d", "day", "days"), ("day", "time")),
    **dict.fromkeys(("wk", "week", "weeks"), ("week", "time")),
    **dict.fromkeys(("l", "L", "liter", "liters", "litre", "litres"), ("liter", "volume")),
    **dict.fromkeys(("dl", "dL"), ("deciliter", "volume")),
    **dict.fromkeys(("cl", "cL"), ("centiliter", "volume")),
    **dict.fromkeys(("ml", "mL"), ("milliliter", "volume")),
    **dict.fromkeys(("m3", "m³"), ("meter ** 3", "volume")),
    **dict.fromkeys(("cm3", "cm³"), ("centimeter ** 3", "volume")),
    **dict.fromkeys(("ft3", "ft³", "cu ft", "cubic feet"), ("foot ** 3", "volume")),
    **dict.fromkeys(("in3", "in³", "cu in", "cubic inches"), ("inch ** 3", "volume")),
    **dict.fromkeys(("Ω", "ohm", "ohms", "R"), ("ohm", "resistance")),
    **dict.fromkeys(("kΩ", "KΩ", "kohm", "kohms", "k"), ("kiloohm", "resistance")),
    **dict.fromkeys(("MΩ", "Mohm", "Mohms", "megohm", "megohms"), ("megaohm", "resistance")),
    **dict.fromkeys(("mΩ", "mohm", "mohms", "milliohm"), ("milliohm", "resistance")),
    **dict.fromkeys(
        ("°C", "° C", "C", "degC", "deg C", "degrees C", "celsius"), ("degC", "temperature")
    ),
    **dict.fromkeys(
        ("°F", "° F", "F", "degF", "deg F", "degrees F", "fahrenheit"), ("degF", "temperature")
    ),
    **dict.fromkeys(("g", "gram", "grams"), ("gram", "mass")),
    **dict.fromkeys(("kg",), ("kilogram", "mass")),
    **dict.fromkeys(("oz", "ounce", "ounces"), ("ounce", "mass")),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), ("pound", "mass")),
    **dict.fromkeys(("m/s",), ("meter / second", "velocity")),
    **dict.fromkeys(("km/h",), ("kilometer / hour", "velocity")),
    **dict.fromkeys(("ft/min", "fpm"), ("foot / minute", "velocity")),
    **dict.fromkeys(("ft/s",), ("foot / second", "velocity")),
    **dict.fromkeys(("mph",), ("mile / hour", "velocity")),
    **dict.fromkeys(("cfm", "ft3/min", "ft³/min"), ("foot ** 3 / minute", "volume flow")),
    **dict.fromkeys(("m3/h", "m³/h"), ("meter ** 3 / hour", "volume flow")),
    **dict.fromkeys(("m3/s", "m³/s"), ("meter ** 3 / second", "volume flow")),
    **dict.fromkeys(("l/s", "L/s"), ("liter / second", "volume flow")),
    **dict.fromkeys(("l/min", "L/min"), ("liter / minute", "volume flow")),
    # known only to be named in a refusal
    **dict.fromkeys(("V", "volt", "volts"), ("volt", "voltage")),
    **dict.fromkeys(("A", "amp", "amps"), ("ampere", "current")),
    **dict.fromkeys(("W", "kW", "watt", "watts"), ("watt", "power")),
    **dict.fromkeys(("Pa", "kPa", "psi", "in wg", "in. w.g."), ("pascal", "pressure")),
}
# MOHM may be milliohm or megohm: what differs only by case is known only as it is written
_CASES: dict[str, set[tuple[str, str]]] = {}
for _spelling, _meaning in _UNITS.items():
    _CASES.setdefault(_spelling.lower(), set()).add(_meaning)
_LOWER = {spelling: next(iter(found)) for spelling, found in _CASES.items() if len(found) == 1}

# kind of column -> (dimension, pint unit in which it is stored), one per stored number
KINDS: dict[str, tuple[tuple[str, str], ...]] = {
    "length": (("length", "meter"),),
    "duration": (("time", "minute"),),
    "span": (("time", "day"),),
    "volume": (("volume", "liter"),),
    "reading": (("resistance", "ohm"), ("temperature", "degC")),
    "lint": (("mass", "kilogram"), ("volume", "liter")),
    "airflow": (("velocity", "meter / second"), ("volume flow", "meter ** 3 / second")),
}
# what a bare number means; a reading, lint or an airflow says nothing without its unit
DEFAULT_UNIT = {"length": "m", "duration": "min", "span": "days", "volume": "L"}

OPEN_WORDS = {"ol", "o.l.", "o.l", "o/l", "open", "open circuit", "open line", "∞", "infinite"}
NONE_WORDS = {"n/a", "na", "none", "-", "--", "–", "—", "not measured", "not taken"}
NOT_FINITE = {"nan", "inf", "+inf", "-inf", "infinity", "-infinity"}

_NUMBER = r"[+-]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][+-]?\d+)?"
_ONE = re.compile(rf"({_NUMBER})\s*(\D.*)?")
_FEET = re.compile(rf"({_NUMBER})\s*(?:'|ft\.?|foot|feet)\s*({_NUMBER})\s*(?:\"|in\.?|inch|inches)")
_HOURS = re.compile(rf"({_NUMBER})\s*(?:h|hr|hrs|hours?)\s*({_NUMBER})\s*(?:min|mins|minutes?)?")
_INFIX = re.compile(r"(\d+)([RkM])(\d+)")  # 2k2 is 2.2 kΩ
_INFIX_UNIT = {"R": "Ω", "k": "kΩ", "M": "MΩ"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A quantity as it is stored.

    Attributes
    ----------
    values : one number per stored unit of the kind, None where the text is of another dimension.
    is_open : the meter showed an open circuit, which is a state and no number.
    """

    values: tuple[float | None, ...]
    is_open: bool = False


@functools.cache
def registry() -> pint.UnitRegistry[float]:
    """The one pint registry of the program."""
    import pint

    return pint.UnitRegistry()


@functools.cache
def _line(unit: str, target: str) -> tuple[float, float]:
    """Factor and offset from a unit to the stored one; pint refuses a wrong dimension."""
    make = registry().Quantity
    at_zero = float(make(0.0, unit).to(target).magnitude)
    if {unit, target} & {"degC", "degF"}:
        return float(make(1.0, unit).to(target).magnitude) - at_zero, at_zero
    return float(make(1.0, unit).to(target).magnitude), 0.0


def converted(value: float, unit: str, target: str) -> float:
    """A number in another unit, both by pint's names.

    >>> converted(10.668, "meter", "foot")
    35.0
    """
    factor, offset = _line(unit, target)
    return _rounded(factor * value + offset)


def _rounded(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def unit_dimension(unit: str) -> str | None:
    """What a unit measures (``length``, ``resistance``, …), or None if it is not known.

    >>> unit_dimension("cfm")
    'volume flow'
    """
    found = _find_unit(unit)
    return None if found is None else found[1]


@functools.lru_cache(maxsize=1000)
def _find_unit(unit: str) -> tuple[str, str] | None:
    unit = unicodedata.normalize("NFC", unit).strip()
    return _UNITS.get(unit) or _LOWER.get(unit.lower())


def _tidy(text: str) -> str:
    if text.isascii() and text.isprintable() and "''" not in text and "  " not in text:
        return text.strip()
    text = unicodedata.normalize("NFC", text)
    text = re.sub(r"[′’‘´]", "'", text)
    text = re.sub(r"[″”“]|''", '"', text)
    return re.sub(r"\s+", " ", text.replace("−", "-")).strip()


def parse_number(text: str, *, decimal_mark: str | None = None) -> float:
    """The number somebody wrote, or a refusal where two readings are possible.

    Parameters
    ----------
    text : the number, with no unit.
    decimal_mark : ``.`` or ``,`` as the mapping states it; None where nothing is stated, when a
        mark followed by exactly three digits may be either and is refused.

    Raises
    ------
    InputError : no number, not finite, or two readings.

    Examples
    --------
    >>> parse_number("9,9"), parse_number("1,234.5"), parse_number("1.234,5")
    (9.9, 1234.5, 1234.5)
    """
    tidy = _tidy(text)
    if len(tidy) > LONGEST or not re.fullmatch(_NUMBER, tidy):
        if tidy.lower() in NOT_FINITE:
            raise InputError("must be a finite number")
        raise InputError("must be a number")
    mantissa, *exponent = re.split("[eE]", tidy)
    value = float("e".join([_plain(mantissa, decimal_mark), *exponent]))
    if not math.isfinite(value):
        raise InputError("must be a finite number")
    return value


def _plain(number: str, decimal_mark: str | None) -> str:
    """A number with a point for its decimal mark and nothing between the thousands."""
    sign = number[0] if number[0] in "+-" else ""
    body = number.lstrip("+-")
    marks = [mark for mark in body if mark in ".,"]
    if not marks:
        return sign + body
    last = marks[-1]
    if len(set(marks)) == 2:  # 1,234.5: the last one is the decimal mark
        if marks.count(last) > 1 or decimal_mark not in (None, last):
            raise InputError("must be a number in the stated decimal mark")
        other = "," if last == "." else "."
        return sign + _ungrouped(body.split(last)[0], other) + "." + body.split(last)[1]
    if len(marks) > 1:  # 1,234,567
        if decimal_mark == last:
            raise InputError("must be a number in the stated decimal mark")
        return sign + _ungrouped(body, last)
    head, tail = body.split(last)
    grouped = len(tail) == 3 and 1 <= len(head) <= 3 and not head.startswith("0")
    if decimal_mark is None:
        if grouped and last == ",":
            raise InputError("must have one reading: is its comma a decimal mark or thousands?")
        decimal_mark = last
    if last == decimal_mark:
        return sign + (head or "0") + "." + (tail or "0")
    if grouped:
        return sign + head + tail
    raise InputError(f"must be a number in the stated decimal mark {decimal_mark!r}")


def _ungrouped(body: str, mark: str) -> str:
    if not re.fullmatch(rf"\d{{1,3}}(?:{re.escape(mark)}\d{{3}})+", body):
        raise InputError("must have its thousands in groups of three")
    return body.replace(mark, "")


def parse_quantity(
    text: str, *, kind: str, decimal_mark: str | None = None, default_unit: str | None = None
) -> Quantity | None:
    """What a technician wrote down, as a number in the unit in which it is stored.

    Parameters
    ----------
    text : as written.
    kind : length, duration, span, volume, reading, lint or airflow.
    decimal_mark : ``.`` or ``,``; None where the file states none.
    default_unit : the unit of a bare number, where the mapping states one.

    Returns
    -------
    Quantity in the units of ``KINDS[kind]``; None for ``n/a``, ``none`` and the like.

    Raises
    ------
    InputError : not a quantity, another dimension, no unit, not finite, two readings.

    Examples
    --------
    >>> parse_quantity("9,9 Ω", kind="reading").values
    (9.9, None)
    >>> parse_quantity("320F", kind="reading").values
    (None, 160.0)
    """
    tidy = _tidy(text)
    if len(tidy) > LONGEST:
        raise InputError(f"must be at most {LONGEST} characters")
    word = tidy.lower()
    if word in NONE_WORDS:
        return None
    if kind == "reading" and word in OPEN_WORDS:
        return Quantity(values=(None, None), is_open=True)
    if word in NOT_FINITE:
        raise InputError("must be a finite number")
    if kind == "reading" and (infix := _INFIX.fullmatch(tidy)):
        tidy = f"{infix[1]}.{infix[3]} {_INFIX_UNIT[infix[2]]}"
        decimal_mark = "."
    number = functools.partial(parse_number, decimal_mark=decimal_mark)
    if kind == "length" and (both := _FEET.fullmatch(word)):
        return _stored([(number(both[1]), "foot"), (number(both[2]), "inch")], "length", kind)
    if kind in ("duration", "span") and (both := _HOURS.fullmatch(word)):
        return _stored([(number(both[1]), "hour"), (number(both[2]), "minute")], "time", kind)
    found = _ONE.fullmatch(tidy)
    if found is None:
        raise InputError(f"must be {_wanted(kind)}, like {_EXAMPLES[kind]}")
    value = number(found[1])
    written = (found[2] or "").strip() or default_unit or DEFAULT_UNIT.get(kind)
    if written is None:
        raise InputError(
            f"must say its unit ({_wanted(kind)}, like {_EXAMPLES[kind]}), or the mapping must"
        )
    unit = _find_unit(written)
    if unit is None:
        raise InputError(f"must be {_wanted(kind)} in a known unit, like {_EXAMPLES[kind]}")
    return _stored([(value, unit[0])], unit[1], kind)


_EXAMPLES = {
    "length": "3.6 m or 12 ft",
    "duration": "45 min or 0.75 h",
    "span": "5 days",
    "volume": "0.8 L",
    "reading": "9.9 ohm, OL or 160 °C",
    "lint": "0.8 L or 60 g",
    "airflow": "1500 fpm or 120 cfm",
}
_ARTICLE = {"resistance": "a resistance", "temperature": "a temperature", "length": "a length",
            "time": "a time", "volume": "a volume", "mass": "a mass", "velocity": "a velocity",
            "volume flow": "a volume flow"}  # fmt: skip


def _wanted(kind: str) -> str:
    return " or ".join(_ARTICLE[dimension] for dimension, _ in KINDS[kind])


def _stored(parts: list[tuple[float, str]], dimension: str, kind: str) -> Quantity:
    targets = dict(KINDS[kind])
    if dimension not in targets:
        raise InputError(f"must be {_wanted(kind)}, but it is written as a {dimension}")
    total = 0.0
    for value, unit in parts:
        factor, offset = _line(unit, targets[dimension])
        total += value * factor + offset
    total = _rounded(total)
    if not math.isfinite(total):
        raise InputError("must be a finite number")
    if total < 0 and dimension != "temperature":
        raise InputError("must not be negative")
    return Quantity(values=tuple(total if dimension == name else None for name, _ in KINDS[kind]))
