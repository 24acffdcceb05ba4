"""How often one position fails over its age, when it is repaired and goes on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.intervals import normal, on_log_scale
from failstats.estimate.stretch import read_only

__all__ = [
    "MeanCumulative",
    "MeanCumulativeDifference",
    "RecurrenceCounts",
    "mean_cumulative",
    "mean_cumulative_difference",
    "mean_cumulative_function",
    "recurrence_counts",
    "variance_steps",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanCumulative:
    """Failures per unit by each age.

    age, at_risk, events, mean, variance : shape (n,), one row per age with events.
    """

    age: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray
    mean: np.ndarray
    variance: np.ndarray
    followed_to: float
    units: int
    unit: str

    @property
    def std_error(self) -> np.ndarray:
        """Shape (n,): robust standard error, units being unrelated."""
        return np.sqrt(self.variance)

    def _at(self, values: np.ndarray, ages: Any) -> np.ndarray:
        asked = np.asarray(ages, dtype=float)
        found = np.concatenate([[0.0], values])[np.searchsorted(self.age, asked, side="right")]
        return np.where(asked > self.followed_to, np.nan, found)

    def mean_at(self, ages: Any) -> np.ndarray:
        """Failures per unit by the given ages; NaN beyond the last age followed."""
        return self._at(self.mean, ages)

    def variance_at(self, ages: Any) -> np.ndarray:
        """Variance of that mean."""
        return self._at(self.variance, ages)

    def interval(
        self, confidence_level: float = 0.95, *, scale: str = "log"
    ) -> tuple[np.ndarray, np.ndarray]:
        """Pointwise interval, made on the log (default) or plain scale."""
        if scale == "log":
            return on_log_scale(self.mean, self.std_error, confidence_level=confidence_level)
        if scale == "plain":
            return normal(self.mean, self.std_error, confidence_level=confidence_level)
        raise InputError(f"scale must be log or plain, but {scale} was given.")

    def table(self) -> Any:
        """One row per age, as a pandas data frame."""
        import pandas as pd

        low, high = self.interval()
        return pd.DataFrame(
            {
                f"age_{self.unit}": self.age,
                "at_risk": self.at_risk,
                "events": self.events,
                "mean": self.mean,
                "std_error": self.std_error,
                "low": low,
                "high": high,
            }
        )


def mean_cumulative_function(
    event_unit: Any,
    *,
    event_age: Any,
    unit_entry: Any = 0,
    unit_exit: Any,
    counts: Any = None,
    unit: str = "days",
) -> MeanCumulative:
    """How many failures a unit has had on average by each age.

    Parameters
    ----------
    event_unit : shape (e,), for each failure the row of its unit, 0 to u - 1.
    event_age : shape (e,), the unit's age at the failure.
    unit_entry : shape (u,) or one number, age from which the unit is followed.
    unit_exit : shape (u,), age at which following ends.
    counts : shape (u,), how many units alike each row stands for; 1 when absent.

    Returns
    -------
    MeanCumulative, one row per age with failures.

    Raises
    ------
    InputError
        When a failure lies outside the ages over which its unit was followed.

    Notes
    -----
    A unit is at risk at t when entry < t <= exit (from age 0 on when entry is 0). Failures of
    one unit on one day count each. The variance sums, over units, the squared sum of
    (own failures - failures per unit at risk) / at risk (Lawless and Nadeau 1995), which is the
    infinitesimal jackknife over units.

    Examples
    --------
    >>> mcf = mean_cumulative_function(
    ...     [0, 0, 2, 2, 2], event_age=[5, 8, 1, 8, 16], unit_exit=[12, 16, 20]
    ... )
    >>> mcf.mean.round(4).tolist(), mcf.variance.round(4).tolist()
    ([0.3333, 0.6667, 1.3333, 1.8333], [0.0741, 0.0741, 0.2963, 0.7546])
    """
    rows: dict[str, Any] = {
        "event_age": event_age, "unit_entry": unit_entry, "unit_exit": unit_exit, "counts": counts,
    }  # fmt: skip
    found = recurrence_counts(event_unit, **rows, unit=unit)
    return mean_cumulative(found, variance_steps(found, event_unit, **rows))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecurrenceCounts:
    """Units followed and their failures, counted; those of separate sets of units add up.

    followed : the ages at which units enter and leave. age, events : shape (n,), ascending ages
        with failures, and how many. units, followed_to : units followed, and to which age.
    """

    followed: RiskTable
    age: np.ndarray
    events: np.ndarray
    units: float
    followed_to: float

    @property
    def at_risk(self) -> np.ndarray:
        """(n,) units at risk at each age with failures."""
        return self.followed.at_risk_at(self.age).astype(float)

    def plus(self, other: RecurrenceCounts) -> RecurrenceCounts:
        """Counts of two separate sets of units."""
        age, place = np.unique(np.concatenate([self.age, other.age]), return_inverse=True)
        events = np.concatenate([self.events, other.events])
        return RecurrenceCounts(
            followed=self.followed + other.followed,
            age=age,
            events=np.bincount(place, weights=events, minlength=age.size),
            units=self.units + other.units,
            followed_to=max(self.followed_to, other.followed_to),
        )


def _jumps(event_unit: Any, event_age: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Failures of one unit on one day as one jump of that size: unit, age and size, sorted."""
    owner, ages = np.asarray(event_unit, dtype=np.int64), np.asarray(event_age, dtype=float)
    order = np.lexsort((ages, owner))
    owner, ages = owner[order], ages[order]
    new = np.ones(owner.size, dtype=bool)
    new[1:] = (np.diff(owner) != 0) | (np.diff(ages) != 0)
    first = np.flatnonzero(new)
    return owner[first], ages[first], np.diff(np.append(first, owner.size)).astype(float)


def _units(unit_entry: Any, unit_exit: Any) -> tuple[np.ndarray, np.ndarray]:
    exits = np.atleast_1d(np.asarray(unit_exit, dtype=float))
    return np.broadcast_to(np.asarray(unit_entry, dtype=float), exits.shape), exits


def recurrence_counts(
    event_unit: Any,
    *,
    event_age: Any,
    unit_entry: Any = 0,
    unit_exit: Any,
    counts: Any = None,
    unit: str = "days",
) -> RecurrenceCounts:
    """First pass over rows: what the mean needs. Parameters as of `mean_cumulative_function`."""
    entries, exits = _units(unit_entry, unit_exit)
    _check(
        np.asarray(event_unit, dtype=np.int64), np.asarray(event_age, dtype=float), entries, exits
    )
    alike = _counts(counts, exits)
    owner, ages, jump = _jumps(event_unit, event_age)
    age, place = np.unique(ages, return_inverse=True)
    followed = (exits > entries) | (exits == 0)
    return RecurrenceCounts(
        followed=RiskTable.from_lives(
            entries, exits, np.zeros(exits.size, dtype=bool), counts, unit=unit
        ),
        age=age,
        events=np.bincount(place, weights=jump * alike[owner], minlength=age.size),
        units=float(alike[followed].sum()),
        followed_to=float(exits.max(initial=0.0)),
    )


def variance_steps(
    total: RecurrenceCounts,
    event_unit: Any,
    *,
    event_age: Any,
    unit_entry: Any = 0,
    unit_exit: Any,
    counts: Any = None,
) -> np.ndarray:
    """Second pass: what these rows add to the variance from each age of ``total`` to the next.

    Parameters
    ----------
    total : the counts of all units, of which these rows may be some; the rest as of
        `mean_cumulative_function`.

    Returns
    -------
    Shape (n,); those of separate sets of units add up.
    """
    entries, exits = _units(unit_entry, unit_exit)
    owner, ages, jump = _jumps(event_unit, event_age)
    place = np.searchsorted(total.age, ages)
    alike = _counts(counts, exits)
    return _robust_steps(
        owner, place, jump, total.age, total.events, total.at_risk, entries, exits, alike
    )


def mean_cumulative(total: RecurrenceCounts, steps: np.ndarray) -> MeanCumulative:
    """Failures per unit from the counts of all units and their `variance_steps`, added up."""
    at_risk = total.at_risk
    return MeanCumulative(
        age=read_only(total.age),
        at_risk=read_only(at_risk),
        events=read_only(total.events),
        mean=read_only(np.cumsum(total.events / at_risk)),
        variance=read_only(np.maximum(np.cumsum(steps), 0.0)),
        followed_to=total.followed_to,
        units=int(np.rint(total.units)),
        unit=total.followed.unit,
    )


def _counts(counts: Any, exits: np.ndarray) -> np.ndarray:
    alike = np.ones(exits.size) if counts is None else np.asarray(counts, dtype=float)
    if alike.shape != exits.shape or not (alike > 0).all():
        raise InputError("counts must be above 0, one for each unit.")
    return alike


def _check(owner: np.ndarray, ages: np.ndarray, entries: np.ndarray, exits: np.ndarray) -> None:
    if owner.shape != ages.shape or owner.ndim != 1:
        raise InputError("event_unit and event_age must be columns of one length.")
    strange = np.flatnonzero((owner < 0) | (owner >= exits.size))
    if strange.size:
        raise InputError(
            f"event_unit must be a row of unit_exit, 0 to {exits.size - 1}.",
            where=f"row {strange[0]}",
            rows=strange.tolist(),
        )
    begins = entries[owner]
    inside = ((begins < ages) | ((begins == 0) & (ages == 0))) & (ages <= exits[owner])
    wrong = np.flatnonzero(~inside)
    if wrong.size:
        raise InputError(
            f"each failure must lie in (entry, exit] of its unit, but {wrong.size} do not.",
            where="rows " + ", ".join(map(str, wrong[:5])),
            do="correct the dates, or extend the time the unit was followed.",
            rows=wrong.tolist(),
        )


def _robust_steps(
    owner: np.ndarray,
    place: np.ndarray,
    jump: np.ndarray,
    age: np.ndarray,
    events: np.ndarray,
    at_risk: np.ndarray,
    entries: np.ndarray,
    exits: np.ndarray,
    alike: np.ndarray,
) -> np.ndarray:
    """Steps of the sum over units of the squared residual sum, without a unit-by-age table.

    The residual of unit i at t is (its jumps / at risk so far) - (expected so far); its square
    changes at an age only through units at risk there, so running sums over those suffice.
    Rows come sorted by owner and age; ``alike`` units share a row, each with its own square.
    """
    units, times = exits.size, age.size
    if not times:
        return np.zeros(0)
    due = events / at_risk**2  # what each unit at risk is expected to add
    due_so_far = np.concatenate([[0.0], np.cumsum(due)])  # before age index j
    start = np.searchsorted(age, entries, side="right")  # first age index at risk
    start = np.where((entries == 0) & (age[0] == 0), 0, start)
    stop = np.maximum(np.searchsorted(age, exits, side="right"), start)  # one past the last
    gain = jump / at_risk[place]
    # Own jumps before each of them, within the unit.
    running = np.cumsum(gain) - gain
    opening = np.concatenate([[True], np.diff(owner) != 0])
    base = running[np.maximum.accumulate(np.where(opening, np.arange(owner.size), 0))]
    own_before = running - base
    own_total = np.bincount(owner, weights=gain, minlength=units)

    # Over units at risk at index j: sum of residuals just before it.
    def until(index: np.ndarray, weight: np.ndarray) -> np.ndarray:
        return np.cumsum(np.bincount(index, weights=weight, minlength=times + 1)[:times])

    joined = until(start, alike) - until(stop, alike)
    own = until(np.minimum(place + 1, times), gain * alike[owner]) - until(stop, own_total * alike)
    offset = until(start, due_so_far[start] * alike) - until(stop, due_so_far[start] * alike)
    residual_sum = own - (joined * due_so_far[:-1] - offset)
    change = due**2 * joined - 2 * due * residual_sum
    before = own_before - (due_so_far[place] - due_so_far[start[owner]])
    change += np.bincount(
        place,
        weights=alike[owner] * (gain**2 + 2 * gain * (before - due[place])),
        minlength=times,
    )
    return change


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanCumulativeDifference:
    """First group minus second: failures per unit by each age, shape (n,)."""

    age: np.ndarray
    difference: np.ndarray
    std_error: np.ndarray
    unit: str

    def interval(self, confidence_level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Pointwise interval, estimate plus and minus standard errors."""
        return normal(self.difference, self.std_error, confidence_level=confidence_level)


def mean_cumulative_difference(
    first: MeanCumulative, *, second: MeanCumulative, ages: Any = None
) -> MeanCumulativeDifference:
    """How many more failures a unit of the first group has had than one of the second.

    Parameters
    ----------
    first, second : the two groups, which share no unit.
    ages : where to compare; every age with failures that both groups were followed to, if absent.
    """
    if first.unit != second.unit:
        raise InputError(f"both groups must share one unit of age: {first.unit}, {second.unit}.")
    if ages is None:
        both = np.union1d(first.age, second.age)
        at = both[both <= min(first.followed_to, second.followed_to)]
    else:
        at = np.atleast_1d(np.asarray(ages, dtype=float))
    return MeanCumulativeDifference(
        age=read_only(at),
        difference=read_only(first.mean_at(at) - second.mean_at(at)),
        std_error=read_only(np.sqrt(first.variance_at(at) + second.variance_at(at))),
        unit=first.unit,
    )
