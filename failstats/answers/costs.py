"""What things cost: the costs file, its defaults, and which of them were assumed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from failstats.errors import InputError
from failstats.show.text import path_text

__all__ = ["CLEANING", "DEFAULTS", "MAKER_DAYS", "UNKNOWN_UNLESS_GIVEN", "Costs", "read_costs"]

CLEANING = "cleaning.full_run"
MAKER_DAYS = "cleaning.maker_days"

#: Key -> (default, meaning). The defaults are round figures of ours, no source; they are printed
#: as assumed wherever they enter an answer.
DEFAULTS: dict[str, dict[str, tuple[Decimal, str]]] = {
    "visit": {
        "visit_cost": (
            Decimal("95"),
            "a visit, travel included: what a failure costs beside its part",
        ),
        "return_unpaid": (
            Decimal("120"),
            "a second visit for the same fault, goodwill included: a failure within the "
            "warranty, or a part that was not on the van",
        ),
        "labour_per_hour": (Decimal("80"), "an hour of work on site: prices the minutes below"),
    },
    "parts": {
        "holding_rate": (
            Decimal("0.25"),
            "cost of keeping a part on a van, per year, as a share of its price",
        ),
        "extra_minutes": (
            Decimal("10"),
            "minutes to replace the partner while the cabinet is open already",
        ),
    },
    "tests": {
        "hot_cycle_minutes": (
            Decimal("10"),
            "minutes of a hot test: the part is watched while the dryer heats and cycles",
        ),
    },
    "warranty": {
        "days": (Decimal("90"), "days within which a repeat fault is repaired for nothing"),
    },
    "cleaning": {
        "full_run": (Decimal("140"), "cleaning the vent over its full run, visit included"),
    },
    "horizon": {
        "years": (
            Decimal("5"),
            "years over which the costs of a choice are added up, less where units are retired",
        ),
    },
}

#: Beyond these a figure is a slip of the pen, and sums would lose their decimals; our own bounds.
LARGEST = Decimal(1_000_000_000)
MOST = {"horizon.years": Decimal(50), "warranty.days": Decimal(3650)}
#: Keys without a default: (an example, meaning). What is not given is not known.
UNKNOWN_UNLESS_GIVEN: dict[str, dict[str, tuple[Decimal, str]]] = {
    "cleaning": {
        "maker_days": (
            Decimal("365"),
            "days between vent cleanings by the maker's instruction, the shortest of your makers: "
            "the advice is never longer",
        ),
    },
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """The costs in force.

    Attributes
    ----------
    currency : as the company writes it.
    values : "table.key" -> value; of keys without a default only where the file gives them.
    assumed : keys whose default was used.
    file : the costs file as it was named, of an absolute path the name alone; None without one.
    """

    currency: str
    values: Mapping[str, Decimal]
    assumed: tuple[str, ...]
    file: str | None = None

    def __getitem__(self, key: str) -> float:
        return float(self.values[key])

    def known(self, key: str) -> float | None:
        """A figure that has no default; None where the file does not give it."""
        return float(self.values[key]) if key in self.values else None

    @property
    def minute(self) -> float:
        """Price of a minute of work."""
        return self["visit.labour_per_hour"] / 60

    def warning(self) -> tuple[str, str] | None:
        """Code and text where a default was used; None where all costs were given."""
        if not self.assumed:
            return None
        said = ", ".join(f"{key} = {self.values[key]}" for key in self.assumed)
        return ("costs_assumed", f"Assumed, for want of a costs file that states them: {said}.")


def read_costs(path: Path | None = None, *, currency: str = "USD") -> Costs:
    """Read a costs file; what it leaves out is assumed, and said to be.

    Parameters
    ----------
    path : a TOML file as `failstats draft costs` writes it; None for the defaults alone.
    currency : of the warehouse; a costs file in another one is refused.

    Raises
    ------
    InputError : no such file, not TOML, an unknown key, a negative or non-numeric cost.

    Examples
    --------
    >>> read_costs().minute
    1.3333333333333333
    """
    given: dict[str, Any] = {}
    where = "costs"
    if path is not None:
        where = str(path)
        try:
            given = tomllib.loads(Path(path).read_text("utf-8-sig"), parse_float=Decimal)
        except (FileNotFoundError, IsADirectoryError):
            raise InputError(
                f"a costs file must exist, but {path} does not.",
                where="--costs",
                do="write one with: failstats draft costs",
            ) from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
            raise InputError(
                f"a costs file must be TOML, but: {fault}.", where=where, do="correct the line."
            ) from None
    stated = given.pop("currency", currency)
    if path is not None and stated != currency:
        raise InputError(
            f"all money must be in one currency, but the warehouse is in {currency} and the costs "
            f"file in {stated}.",
            where=where,
            do="convert the costs file.",
        )
    values, assumed = {}, []
    for table, keys in DEFAULTS.items():
        mine = given.pop(table, {})
        if not isinstance(mine, dict):
            raise InputError(
                f"[{table}] must be a table, but is {mine!r}.",
                where=where,
                do="write [" + table + "].",
            )
        for key, (default, _) in keys.items():
            name = f"{table}.{key}"
            if key in mine:
                values[name] = _cost(mine.pop(key), name, where)
            else:
                values[name] = default
                assumed.append(name)
        others = UNKNOWN_UNLESS_GIVEN.get(table, {})
        for key in others:
            if key in mine:
                name = f"{table}.{key}"
                values[name] = _cost(mine.pop(key), name, where)
                _above_zero(values, name, where)
        if mine:
            raise InputError(
                f"[{table}] has the keys {', '.join([*keys, *others])}, but {', '.join(mine)} was "
                "given.",
                where=where,
                do="correct or remove the key.",
            )
    if given:
        raise InputError(
            f"a costs file has the tables {', '.join(DEFAULTS)}, but {', '.join(given)} was given.",
            where=where,
            do="correct or remove the table.",
        )
    _above_zero(values, "horizon.years", where)
    named = None if path is None else path_text(path)
    return Costs(currency=str(stated), values=values, assumed=tuple(assumed), file=named)


def _above_zero(values: Mapping[str, Decimal], name: str, where: str) -> None:
    if not values[name] > 0:
        raise InputError(
            f"{name} must be above 0, but is 0.", where=where, do="correct the figure."
        )


def _cost(value: Any, name: str, where: str) -> Decimal:
    try:
        if isinstance(value, bool):
            raise InvalidOperation
        number = Decimal(value)
        if not number.is_finite() or number < 0:
            raise InvalidOperation
    except (InvalidOperation, TypeError, ValueError):
        given = value if isinstance(value, Decimal) else repr(value)
        raise InputError(
            f"{name} must be a number of 0 or more, but is {given}.",
            where=where,
            do="correct the figure.",
        ) from None
    most = MOST.get(name, LARGEST)
    if number > most:
        raise InputError(
            f"{name} must be at most {most:,}, but is {number}.",
            where=where,
            do="correct the figure.",
        )
    return number
