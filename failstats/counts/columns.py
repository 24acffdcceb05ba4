"""Columns as people give them, made into the arrays that counting needs."""

from __future__ import annotations

from typing import Any

import numpy as np

from failstats.errors import InputError

__all__ = ["ages_of", "cause_codes", "distinct_ages", "frozen", "row_text"]


def frozen(values: np.ndarray) -> np.ndarray:
    values = np.array(values, copy=True)
    values.flags.writeable = False
    return values


def row_text(rows: np.ndarray) -> str:
    shown = ", ".join(str(int(row)) for row in rows[:5])
    return f"rows {shown}" + (f" and {len(rows) - 5} more" if len(rows) > 5 else "")


def ages_of(values: Any, name: str) -> np.ndarray:
    """One column of ages, whole where it was given whole; complains about missing ones."""
    ages = np.asarray(values)
    if ages.dtype.kind not in "iuf":
        ages = ages.astype(float)
    if ages.dtype.kind == "u":
        ages = ages.astype(np.int64)
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
    """The distinct ages ascending, and each row's place; whole ages without a sort."""
    if ages.size and ages.dtype.kind == "i" and int(ages.max()) <= max(4 * ages.size, 100_000):
        seen = np.bincount(ages) > 0
        return np.flatnonzero(seen), (np.cumsum(seen) - 1)[ages]
    return np.unique(ages, return_inverse=True)


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
