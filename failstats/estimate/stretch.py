"""Over which ages a curve can honestly speak: the stretch in which somebody was at risk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError

__all__ = ["Stretch", "followed_stretch", "read_only"]


def read_only(values: Any) -> np.ndarray:
    """A copy that cannot be written to."""
    held = np.array(values)
    held.flags.writeable = False
    return held


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """The ages over which somebody was always at risk, as rows of a risk table.

    start : the age from which the stretch counts; 0 when lives are followed from birth.
    end : the last age at which anybody was at risk.
    rows : shape (m,), the table's rows within it.
    more_beyond : whether lives were followed at later ages, of which the stretch says nothing.
    """

    start: float
    end: float
    rows: np.ndarray
    more_beyond: bool


def followed_stretch(
    table: RiskTable,
    *,
    failed: np.ndarray | None = None,
    given_age: float | None = None,
    may_reach_zero: bool = False,
) -> Stretch:
    """Find the ages a curve can honestly span.

    Where lives are only followed from some age on, nobody may be at risk early, or the few who
    are may all fail: a product of shares then falls to 0 and stays there. The ages are cut at
    such places, and the stretch with the most failures is kept (the longest time lived, when
    equal); the curve is then conditional on reaching its start.

    Parameters
    ----------
    table : the counts.
    failed : shape (n,), the failures the curve counts; all of them when absent.
    given_age : start here instead, whatever happened before.
    may_reach_zero : for sums of shares, which all of a few lives failing does not spoil: cut only
        where nobody is followed.
    """
    counted = table.failed_total if failed is None else failed
    age, at_risk, after = table.age, table.at_risk, table.still_working
    if given_age is not None and not given_age >= 0:
        raise InputError(f"given_age must be 0 or more, but {given_age} was given.")
    if not age.size or not at_risk.any():
        if given_age:
            raise FitError(
                f"nobody was followed beyond age {given_age:g} {table.unit}.", do="ask for less."
            )
        return Stretch(start=0.0, end=0.0, rows=np.arange(0), more_beyond=False)
    emptied = (at_risk > 0) & (counted >= at_risk) & (not may_reach_zero)
    if given_age is not None:
        emptied &= age > given_age
    tiny = 1e-9 * max(1.0, float(table.entered.sum()))
    gap = after <= tiny  # nobody followed just after this age
    cuts = emptied | gap
    if given_age is None and not cuts[:-1].any():  # all in one piece, as nearly always
        rows = np.flatnonzero(at_risk > 0)
        start = 0.0 if age[rows[0]] == 0 else float(age[rows[0] - 1])
        return Stretch(start=start, end=float(age[rows[-1]]), rows=rows, more_beyond=False)
    piece = np.concatenate([[0], np.cumsum(cuts)[:-1]])
    if given_age is not None:
        place = int(np.searchsorted(age, given_age, side="right"))
        if place == 0 or gap[place - 1]:
            raise FitError(
                f"nobody was at risk just after age {given_age:g} {table.unit}.",
                where=f"ages {age[0]:g} to {age[-1]:g} {table.unit}",
                do="ask for an age at which parts are followed.",
            )
        rows = np.flatnonzero((age > given_age) & (piece == piece[place]))
        start = float(given_age)
    else:
        lived = np.bincount(piece, weights=at_risk * np.diff(age, prepend=age[:1]))
        events = np.bincount(piece, weights=np.where(at_risk > 0, counted, 0))
        events[np.bincount(piece, weights=at_risk) == 0] = -1
        # times that differ by rounding alone are equal: the unit of age must not decide
        longest = np.round(lived / max(float(lived.max()), 1e-300), 9)
        best = np.lexsort((-np.arange(events.size), longest, events))[-1]
        rows = np.flatnonzero((piece == best) & (at_risk > 0))
        start = 0.0 if age[rows[0]] == 0 else float(age[rows[0] - 1])
    end = float(age[rows[-1]])
    beyond = bool((at_risk[age > end] > 0).any())
    return Stretch(start=start, end=end, rows=rows, more_beyond=beyond)
