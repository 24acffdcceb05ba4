"""Columns as people give them, made into the arrays that counting needs."""

from __future__ import annotations

from typing import Any

import numpy as np

from failstats.errors import InputError

__all__ = [
    "SAME_AGE",
    "ages_of",
    "cause_codes",
    "distinct_ages",
    "frozen",
    "numbers_of",
    "row_text",
]


def frozen(values: np.ndarray) -> np.ndarray:
    values = np.array(values, copy=True)
    values.flags.writeable = False
    return values


def row_text(rows: np.ndarray) -> str:
    shown = ", ".join(str(int(row)) for row in rows[:5])
    return f"rows {shown}" + (f" and {len(rows) - 5} more" if len(rows) > 5 else "")


#: Fractional ages closer than this share of themselves are one age: 0.1 + 0.2 is 0.3.
SAME_AGE = 1e-9


def numbers_of(values: Any, name: str) -> np.ndarray:
    """A column as int64 where its type is whole, else as float64; anything else is refused."""
    held = np.asarray(values)
    if held.dtype.kind in "iub":
        if held.dtype.kind == "u" and held.size and held.max() > np.iinfo(np.int64).max:
            raise InputError(f"{name} must be below 2^63, but reaches {held.max()}.")
        return held.astype(np.int64, copy=False)
    try:
        if held.dtype.kind in "cmM":
            raise TypeError
        return held.astype(np.float64, copy=False)
    except (TypeError, ValueError):
        raise InputError(f"{name} must be numbers, but its type is {held.dtype}.") from None


def ages_of(values: Any, name: str) -> np.ndarray:
    """One column of ages, whole where it was given whole; complains about missing ones."""
    ages = numbers_of(values, name)
    wrong = np.where(~(np.isfinite(ages) & (ages >= 0)))[0] if ages.ndim else np.array([])
    if wrong.size or (ages.ndim == 0 and not ages >= 0):
        raise InputError(
            f"{name} must be an age of 0 or more, but {wrong.size or 1} are missing or negative.",
            where=row_text(wrong) if wrong.size else "",
            do="leave these lives out, or give their ages.",
            rows=wrong.tolist(),
        )
    return ages


def distinct_ages(ages: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The distinct ages ascending, and each row's place; whole ages without a sort.

    Fractional ages that rounding alone has parted are one, as R's ``survival`` takes them
    (``timefix``): the first of them stands for all.
    """
    if ages.size and ages.dtype.kind == "i" and int(ages.max()) <= max(4 * ages.size, 100_000):
        seen = np.bincount(ages) > 0
        return np.flatnonzero(seen), (np.cumsum(seen) - 1)[ages]
    found, place = np.unique(ages, return_inverse=True)
    if found.dtype.kind != "f" or found.size < 2:
        return found, place
    new = np.concatenate([[True], np.diff(found) > SAME_AGE * found[1:]])
    return found[new], (np.cumsum(new) - 1)[place]


def cause_codes(cause: Any) -> tuple[list[str], np.ndarray]:
    """The names of the causes, sorted, and each row's code (-1: did not fail)."""
    values = np.asarray(cause)
    if values.dtype.kind == "b":
        return ["failed"], np.where(values, 0, -1)
    if values.dtype.kind in "iuf" and values.size:
        raise InputError(
            "cause must be words (or true and false), but numbers were given.",
            do="write the name of each cause, and an empty text for a life that did not fail.",
        )
    if values.dtype.kind != "U":
        values = np.array([_cause_word(v, row) for row, v in enumerate(values.tolist())], dtype=str)
    names, code = np.unique(values, return_inverse=True)
    if names.size and names[0] == "":
        return names[1:].tolist(), code - 1
    return names.tolist(), code


def _cause_word(value: Any, row: int) -> str:
    if isinstance(value, str):
        return value
    if value is None or type(value).__name__ in {"NAType", "NaTType"}:
        return ""
    if isinstance(value, float) and np.isnan(value):
        return ""
    raise InputError(
        f"cause must be a word or empty, but {value!r} was given.", where=f"row {row}", rows=[row]
    )
