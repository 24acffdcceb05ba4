"""How many lives of each kind entered, failed and left at each age: all a hazard model needs.

A *pattern* is one combination of covariates (neglect band, load bin, ...); a *stratum* has a
baseline hazard of its own (a family). A life whose covariates change is split into episodes
(start, stop], one per pattern. Counts add up across any partition of the lives.

At risk at age t: start < t <= stop. An episode that starts at age 0 is at risk on day 0 too, so a
failure on the day a part went in counts (cell 0). Elsewhere start = stop is no time at risk: such
episodes are dropped and counted in ``dropped``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from failstats.counts.full_arrays import cells_of_arrays, check_arrays
from failstats.errors import InputError

__all__ = ["PatternTable", "whole_numbers"]

IntArray = NDArray[np.int64]
COLUMNS = ("stratum", "pattern", "age", "entered", "failed", "left")
EXAMPLES = 5
# Above this many possible cells, cells are found by sorting instead of by a dense count.
DENSE_CELLS = 50_000_000
# Full arrays stay with the cells up to this many (72 MB): risk sets are laid out from them.
DENSE_KEPT = 3_000_000
# Exposure of a life that ended on the day it began, in days (methods, section 1).
DAY_ZERO_EXPOSURE = 0.5


def _refuse(what: str, bad: NDArray[np.bool_], do: str) -> None:
    """Raise InputError naming up to five offending rows (counted from 0)."""
    rows = np.flatnonzero(bad)
    shown = ", ".join(str(row) for row in rows[:EXAMPLES])
    raise InputError(
        f"{what}, but {rows.size} of {bad.size} rows break this.",
        where=f"rows {shown} (counted from 0)",
        do=do,
        rows=rows.tolist(),
    )


def whole_numbers(values: ArrayLike, name: str) -> IntArray:
    """Read a column of whole numbers >= 0, refusing anything else by row.

    Parameters
    ----------
    values : shape (rows,), any numeric type; floats must be whole.
    name : the column's name, for the message.

    Returns
    -------
    int64 array, shape (rows,).

    Raises
    ------
    InputError : a value is missing, fractional, negative or not a number.

    Examples
    --------
    >>> whole_numbers([0.0, 3.0], "age")
    array([0, 3])
    """
    array = np.asarray(values)
    if array.ndim != 1:
        raise InputError(f"{name} must be one column, but has shape {array.shape}.")
    if array.dtype == np.bool_ or np.issubdtype(array.dtype, np.integer):
        whole = array.astype(np.int64)
    else:
        try:
            numbers = array.astype(np.float64)
        except (TypeError, ValueError):
            raise InputError(
                f"{name} must hold whole numbers, but its type is {array.dtype}.",
                do=f"give {name} as integer codes or whole days.",
            ) from None
        bad = ~np.isfinite(numbers) | (numbers != np.floor(numbers))
        if bad.any():
            _refuse(f"{name} must hold whole numbers", bad, "round or repair these rows.")
        whole = numbers.astype(np.int64)
    if (whole < 0).any():
        _refuse(f"{name} must be 0 or more", whole < 0, "repair or leave out these rows.")
    return whole


def _sum_by_key(
    key: IntArray, size: int, columns: Sequence[IntArray]
) -> tuple[IntArray, list[IntArray]]:
    """Add each column up by key; keys whose columns are all zero are left out."""
    if size <= DENSE_CELLS and size <= max(64 * key.size, 1024):
        sums = [
            np.bincount(key, weights=column, minlength=size).round().astype(np.int64)
            for column in columns
        ]
        used = np.flatnonzero(np.logical_or.reduce([column != 0 for column in sums]))
        return used.astype(np.int64), [column[used] for column in sums]
    cells, inverse = np.unique(key, return_inverse=True)
    sums = [
        np.bincount(inverse, weights=column, minlength=cells.size).round().astype(np.int64)
        for column in columns
    ]
    used = np.flatnonzero(np.logical_or.reduce([column != 0 for column in sums]))
    return cells[used], [column[used] for column in sums]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatternTable:
    """Counts of part lives by stratum, covariate pattern and whole-day age.

    Parameters
    ----------
    stratum, pattern : shape (cells,), codes counted from 0.
    age : shape (cells,), whole days since birth.
    entered, failed, left : shape (cells,), episodes that start at this age, that fail at it, and
        that stop at it without a failure.
    dropped : episodes with start = stop > 0, which spent no time at risk.
    dense : the same counts as full arrays (entered, failed, left), where they were given so.

    Notes
    -----
    Cells are summed, sorted by (stratum, pattern, age) and read-only. Everything that entered must
    have failed or left in the same stratum and pattern, and nothing may fail before it entered.

    Raises
    ------
    InputError : a column is no whole number >= 0, or the counts do not balance.

    Examples
    --------
    >>> table = PatternTable.from_episodes([0, 0], [3, 5], [1, 0], [0, 1])
    >>> table.age.tolist(), table.entered.tolist(), table.failed.tolist(), table.left.tolist()
    ([0, 3, 0, 5], [1, 0, 1, 0], [0, 1, 0, 0], [0, 0, 0, 1])
    """

    stratum: IntArray
    pattern: IntArray
    age: IntArray
    entered: IntArray
    failed: IntArray
    left: IntArray
    dropped: int = 0
    dense: tuple[IntArray, IntArray, IntArray] | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        columns = {name: whole_numbers(getattr(self, name), name) for name in COLUMNS}
        lengths = {column.size for column in columns.values()}
        if len(lengths) != 1:
            raise InputError(f"all columns must be of one length, but they have {lengths} rows.")
        stratum, pattern, age = columns["stratum"], columns["pattern"], columns["age"]
        object.__setattr__(self, "dense", None)
        if age.size:
            ages, patterns, strata = (int(x.max()) + 1 for x in (age, pattern, stratum))
            if strata * patterns * ages >= 2**62:
                raise InputError(
                    "stratum and pattern must be codes counted from 0, but their largest values "
                    f"are {strata - 1} and {patterns - 1}.",
                    do="replace them by consecutive codes.",
                )
            key = (stratum * patterns + pattern) * ages + age
            key, (entered, failed, left) = _sum_by_key(
                key, strata * patterns * ages, [columns[name] for name in COLUMNS[3:]]
            )
            group, age = np.divmod(key, ages)
            stratum, pattern = np.divmod(group, patterns)
            _check_balance(stratum, pattern, age, entered, failed + left)
        else:
            entered, failed, left = (columns[name] for name in COLUMNS[3:])
        for name, column in zip(
            COLUMNS, (stratum, pattern, age, entered, failed, left), strict=True
        ):
            column = np.ascontiguousarray(column, dtype=np.int64)
            column.setflags(write=False)
            object.__setattr__(self, name, column)

    @classmethod
    def from_episodes(
        cls,
        start: ArrayLike,
        stop: ArrayLike,
        failed: ArrayLike,
        pattern: ArrayLike,
        stratum: ArrayLike | None = None,
    ) -> PatternTable:
        """Count part-life episodes (start, stop], one row per stretch with constant covariates.

        Parameters
        ----------
        start, stop : shape (rows,), whole days since birth.
        failed : shape (rows,), true where the episode ends in a failure.
        pattern : shape (rows,), code of the covariate pattern, counted from 0.
        stratum : shape (rows,), code counted from 0; without it, one stratum.

        Returns
        -------
        PatternTable; ``dropped`` counts the rows with start = stop > 0.

        Raises
        ------
        InputError : start after stop, a value missing or no whole number, lengths differ.

        Examples
        --------
        >>> PatternTable.from_episodes([0, 4, 7], [4, 9, 7], [0, 1, 1], [0, 1, 1]).dropped
        1
        """
        first = whole_numbers(start, "start")
        last = whole_numbers(stop, "stop")
        event = whole_numbers(failed, "failed")
        kind = whole_numbers(pattern, "pattern")
        group = np.zeros_like(first) if stratum is None else whole_numbers(stratum, "stratum")
        sizes = [column.size for column in (first, last, event, kind, group)]
        if len(set(sizes)) != 1:
            raise InputError(f"all columns must be of one length, but they have {sizes} rows.")
        if (event > 1).any():
            _refuse("failed must be 0 or 1", event > 1, "give one row per episode.")
        if (first > last).any():
            _refuse("start must not be after stop", first > last, "repair or leave out these rows.")
        empty = (first == last) & (last > 0)
        if empty.any():
            first, last, event, kind, group = (
                column[~empty] for column in (first, last, event, kind, group)
            )
        ones, none = np.ones_like(first), np.zeros_like(first)
        return cls(
            stratum=np.concatenate([group, group]),
            pattern=np.concatenate([kind, kind]),
            age=np.concatenate([first, last]),
            entered=np.concatenate([ones, none]),
            failed=np.concatenate([none, event]),
            left=np.concatenate([none, 1 - event]),
            dropped=int(empty.sum()),
        )

    @classmethod
    def from_cells(cls, frame: Any, *, dropped: int = 0) -> PatternTable:
        """Take counts made in SQL: columns stratum, pattern, age, entered, failed, left.

        Parameters
        ----------
        frame : anything with those named columns (data frame, Arrow table, dict of arrays). Rows
            of the same cell are added up.
        dropped : episodes the query left out because start = stop > 0.

        Returns
        -------
        PatternTable.

        Raises
        ------
        InputError : a column is missing, or the counts do not balance.

        Examples
        --------
        >>> cells = dict(stratum=[0, 0], pattern=[0, 0], age=[0, 3], entered=[1, 0],
        ...              failed=[0, 1], left=[0, 0])
        >>> PatternTable.from_cells(cells).failures
        1
        """
        names = list(getattr(frame, "column_names", None) or frame.keys())
        missing = [name for name in COLUMNS if name not in names]
        if missing:
            raise InputError(
                f"cells must have the columns {', '.join(COLUMNS)}, but {', '.join(missing)} "
                f"{'is' if len(missing) == 1 else 'are'} missing.",
                where=f"columns given: {', '.join(map(str, names))}",
            )
        columns: dict[str, Any] = {name: np.asarray(frame[name]) for name in COLUMNS}
        return cls(**columns, dropped=dropped)

    @classmethod
    def from_dense(
        cls,
        entered: IntArray,
        failed: IntArray,
        left: IntArray,
        *,
        dropped: int = 0,
        copy: bool = True,
    ) -> PatternTable:
        """Take counts held as full arrays over stratum, pattern and age.

        Parameters
        ----------
        entered, failed, left : shape (strata, patterns, ages), whole numbers >= 0.
        dropped : episodes left out because start = stop > 0.
        copy : false takes the arrays over and makes them read-only: nothing else may hold them.

        Returns
        -------
        PatternTable; many times faster than from cells when most cells are used.

        Raises
        ------
        InputError : shapes differ, a count is no whole number >= 0, or they do not balance.

        Examples
        --------
        >>> entered = np.array([[[2, 0, 0, 0]]])
        >>> failed, left = np.array([[[0, 0, 1, 0]]]), np.array([[[0, 0, 0, 1]]])
        >>> PatternTable.from_dense(entered, failed, left).age.tolist()
        [0, 2, 3]
        """
        if not check_arrays(entered, failed, left):
            columns = cells_of_arrays(entered, failed, left)
            stratum, pattern, age, started, fell, stopped = (columns[name] for name in COLUMNS)
            _check_balance(stratum, pattern, age, started, fell + stopped)
        table = object.__new__(cls)
        if copy:
            entered, failed, left = entered.copy(), failed.copy(), left.copy()
        for counts in (entered, failed, left):
            counts.setflags(write=False)
        object.__setattr__(table, "dropped", dropped)
        object.__setattr__(table, "dense", (entered, failed, left))
        if entered.size > DENSE_KEPT:
            table._find_cells()
            object.__setattr__(table, "dense", None)
        return table

    def __getattr__(self, name: str) -> Any:
        # cells of full arrays are found when somebody asks for them: risk sets do not
        if name not in COLUMNS:
            raise AttributeError(f"{type(self).__name__} has no attribute {name}")
        self._find_cells()
        return object.__getattribute__(self, name)

    def _find_cells(self) -> None:
        dense = object.__getattribute__(self, "dense")
        for name, column in cells_of_arrays(*dense).items():
            column.setflags(write=False)
            object.__setattr__(self, name, column)

    def __add__(self, other: PatternTable) -> PatternTable:
        """Counts of two disjoint sets of lives together."""
        if not isinstance(other, PatternTable):
            return NotImplemented
        columns: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in COLUMNS
        }
        return PatternTable(**columns, dropped=self.dropped + other.dropped)

    @property
    def failures(self) -> int:
        """All failures in the table."""
        return int((self.failed if self.dense is None else self.dense[1]).sum())

    @property
    def pattern_count(self) -> int:
        """One more than the largest pattern code."""
        if self.dense is not None:
            return int(np.flatnonzero(self.dense[0].any(axis=(0, 2))).max(initial=-1)) + 1
        return int(self.pattern.max()) + 1 if self.pattern.size else 0

    def table(self) -> pd.DataFrame:
        """The cells as a data frame, one row per stratum, pattern and age (days)."""
        return pd.DataFrame({name: getattr(self, name) for name in COLUMNS})

    def person_days(self, cuts: ArrayLike = ()) -> pd.DataFrame:
        """Days followed and failures by stratum, pattern and age band.

        Parameters
        ----------
        cuts : increasing ages (whole days) where a new band begins; a band is (from, to], the
            first includes day 0.

        Returns
        -------
        Frame with stratum, pattern, band (0 .. len(cuts)), from_age, to_age (the last: inf),
        person_days and failed; only rows with time or failures.

        Notes
        -----
        A life that ended on day 0 counts half a day, as in the parametric fits.

        Examples
        --------
        >>> table = PatternTable.from_episodes([0, 0], [3, 5], [1, 0], [0, 0])
        >>> table.person_days([2])[["band", "person_days", "failed"]].values.tolist()
        [[0.0, 4.0, 0.0], [1.0, 4.0, 1.0]]
        """
        edges = whole_numbers(np.asarray(cuts).reshape(-1), "cuts")
        if edges.size and ((np.diff(edges) <= 0).any() or edges[0] <= 0):
            raise InputError(f"cuts must be increasing and above 0, but are {edges.tolist()}.")
        patterns = max(self.pattern_count, 1)
        key = self.stratum * patterns + self.pattern
        group, row = np.unique(key, return_inverse=True)
        gone = self.failed + self.left
        lower = np.concatenate([[0], edges]).astype(np.float64)
        upper = np.concatenate([edges, [np.inf]]).astype(np.float64)
        days = np.zeros((group.size, lower.size))
        age = self.age.astype(np.float64)
        net = (gone - self.entered).astype(np.float64)
        for band, (low, high) in enumerate(zip(lower, upper, strict=True)):
            spent = (np.clip(age, low, high) - low) * net
            if band == 0:
                spent = spent + np.where(self.age == 0, DAY_ZERO_EXPOSURE * gone, 0.0)
            days[:, band] = np.bincount(row, weights=spent, minlength=group.size)
        band_of = np.searchsorted(edges, self.age, side="left")
        failed = np.bincount(
            row * lower.size + band_of, weights=self.failed, minlength=days.size
        ).reshape(days.shape)
        used, bands = np.nonzero((days > 0) | (failed > 0))
        return pd.DataFrame(
            {
                "stratum": group[used] // patterns,
                "pattern": group[used] % patterns,
                "band": bands,
                "from_age": lower[bands],
                "to_age": upper[bands],
                "person_days": days[used, bands],
                "failed": failed[used, bands].round().astype(np.int64),
            }
        )


def _check_balance(
    stratum: IntArray, pattern: IntArray, age: IntArray, entered: IntArray, gone: IntArray
) -> None:
    """Refuse counts in which more lives are gone than have entered, or some never end."""
    new_group = np.concatenate([[True], (np.diff(stratum) != 0) | (np.diff(pattern) != 0)])
    begins = np.flatnonzero(new_group)
    totals = np.add.reduceat(entered - gone, begins)
    where = "stratum {}, pattern {}"
    if totals.any():
        at = begins[np.flatnonzero(totals)[0]]
        raise InputError(
            "every life that entered must fail or leave, but the counts of "
            f"{int((totals != 0).sum())} patterns do not balance.",
            where=where.format(stratum[at], pattern[at]),
            do="count each episode once where it starts and once where it stops.",
        )
    before = np.cumsum(entered - gone) - (entered - gone)
    at_risk = before + np.where(age == 0, entered, 0)
    if (gone > at_risk).any():
        at = int(np.flatnonzero(gone > at_risk)[0])
        raise InputError(
            "a life must be at risk (entry < age <= exit) when it fails or leaves, but "
            f"{int((gone > at_risk).sum())} cells have more exits than lives at risk.",
            where=where.format(stratum[at], pattern[at]) + f", age {age[at]}",
            do="leave out episodes with start = stop > 0 and give their number as dropped.",
        )
