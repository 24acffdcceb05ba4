"""Lengths, volumes and temperatures in the reader's units: `[show] units` of failstats.toml."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar

from failstats.errors import InputError
from failstats.units import converted

__all__ = ["as_shown", "shown_unit", "shown_units"]

# what is stored -> (pint's name, sign) of the unit it is shown in
_SHOWN = {
    "metric": {"m": ("meter", "m"), "l": ("liter", "L"), "celsius": ("degC", "°C")},
    "us": {"m": ("foot", "ft"), "l": ("foot ** 3", "cu ft"), "celsius": ("degF", "°F")},
}
_STORED_NAMES = {"m": "meter", "l": "liter", "celsius": "degC"}
_system: ContextVar[str] = ContextVar("failstats_shown_units", default="metric")


@contextlib.contextmanager
def shown_units(system: str) -> Iterator[None]:
    """Text and tables printed in the block show lengths, volumes and temperatures this way.

    Parameters
    ----------
    system : "metric" or "us". JSON, CSV and frames stay in the stored units.

    Raises
    ------
    InputError : another word.
    """
    if system not in _SHOWN:
        raise InputError(
            f"units must be shown as {' or '.join(_SHOWN)}, but {system!r} was given.",
            where="show.units",
            do="correct the word.",
        )
    before = _system.set(system)
    try:
        yield
    finally:
        _system.reset(before)


def shown_unit(stored: str) -> str:
    """The sign of the unit in which a stored one (m, l, celsius) is shown now.

    >>> shown_unit("l")
    'L'
    """
    return _SHOWN[_system.get()][stored][1]


def as_shown(value: float, stored: str) -> float:
    """A stored number (m, l, celsius) in the unit in which it is shown now.

    >>> with shown_units("us"):
    ...     round(as_shown(10.668, "m"), 6), shown_unit("m")
    (35.0, 'ft')
    """
    return converted(value, _STORED_NAMES[stored], _SHOWN[_system.get()][stored][0])
