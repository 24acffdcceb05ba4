"""How answers say their figures: shares, durations, intervals and codes in plain words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from failstats.show.quantities import as_shown, shown_unit
from failstats.show.text import duration_text, money, number_text, share_text, table, wrap

__all__ = [
    "between",
    "figure",
    "level_head",
    "money",
    "one",
    "points",
    "quantity",
    "share",
    "table",
    "words",
    "wrap",
    "years",
]


def figure(value: float | None) -> str:
    """A plain number to three significant digits.

    >>> figure(0.03571)
    '0.0357'
    """
    return number_text(value)


def level_head(settings: Mapping[str, Any]) -> str:
    """The heading of a column of intervals.

    >>> level_head({"confidence_level": 0.8})
    '80 % interval'
    """
    return f"{100 * settings.get('confidence_level', 0.95):g} % interval"


def share(value: float | None) -> str:
    """A share as a percentage.

    >>> share(0.153)
    '15 %'
    """
    return share_text(value)


def years(days: float | None) -> str:
    """A duration: years from two years on, else days.

    >>> years(4492.6)
    '12.3 years'
    """
    return duration_text(days)


def quantity(value: float, stored: str) -> str:
    """A length, volume or temperature (stored in m, l, celsius) in the unit it is shown in.

    >>> quantity(10.668, "m"), quantity(16.2, "l")
    ('10.7 m', '16.2 L')
    """
    return f"{number_text(as_shown(value, stored))} {shown_unit(stored)}"


def points(value: float | None) -> str:
    """A difference of two shares, in percentage points.

    >>> points(0.128), points(-0.004), points(-0.0001)
    ('12.8 points', '-0.4 points', '0.0 points')
    """
    if value is None:
        return "unknown"
    return f"{round(100 * value, 1) + 0.0:.1f} points"


def between(
    ci: Sequence[float | None] | None, say: Callable[[float | None], str], *, brackets: bool = True
) -> str:
    """An interval, the unit said once where both ends share it; empty where there is none.

    >>> between((0.1, 0.2), share)
    ' (10 to 20 %)'
    """
    if ci is None or (ci[0] is None and ci[1] is None):
        return ""
    low, high = say(ci[0]), say(ci[1])
    if say is years and ci[0] is not None and ci[1] is not None:
        low = duration_text(ci[0], like=ci[1])
    unit = high.rsplit(" ", 1)[-1]
    if " " in low and low.endswith(" " + unit) and high.endswith(" " + unit):
        low = low[: -len(unit) - 1]
    said = f"{low} to {high}"
    return f" ({said})" if brackets else said


def one(part: Any) -> str:
    """A part with its article.

    >>> one("coil"), one("igniter"), one("door_switch")
    ('a coil', 'an igniter', 'a door switch')
    """
    said = words(part)
    return f"{'an' if said[:1] in 'aeio' else 'a'} {said}"


def words(code: Any) -> str:
    """A code as a person says it.

    >>> words("no_heat")
    'no heat'
    """
    return str(code).replace("_", " ")
