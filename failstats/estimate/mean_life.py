"""How long a part lasts on average, and how much life is left at an age, without a shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.curves import LifeCurve, kaplan_meier
from failstats.estimate.intervals import Interval, normal

__all__ = ["LifeLeft", "RestrictedMean", "life_left", "restricted_mean"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RestrictedMean:
    """The mean life up to a horizon, in ``unit``, with its standard error.

    mean : time lived between ``start`` and ``horizon``, per part that reached ``start``.
    """

    mean: float
    std_error: float
    start: float
    horizon: float
    unit: str

    def interval(self, confidence_level: float = 0.95) -> Interval:
        """Estimate plus and minus standard errors."""
        low, high = normal(self.mean, self.std_error, confidence_level=confidence_level)
        return Interval(low, high, "normal")


def restricted_mean(curve: LifeCurve, *, horizon: float | None = None) -> RestrictedMean:
    """How long a part lasts on average when it is counted up to a horizon only.

    Parameters
    ----------
    curve : a Kaplan-Meier curve.
    horizon : the age at which counting stops; the last age followed when absent.

    Raises
    ------
    InputError
        When the horizon lies beyond the ages followed and parts are still working there.

    Notes
    -----
    The variance is the sum over failure ages of A**2 d / (n (n - d)), A being the area under
    the curve from that age to the horizon: the area right of an age, not left of it.
    """
    end = curve.followed_to if horizon is None else float(horizon)
    if not end >= curve.conditioned_on or (end > curve.followed_to and not curve.ended):
        raise InputError(
            f"horizon must lie between {curve.conditioned_on:g} and {curve.followed_to:g} "
            f"{curve.unit}, the ages followed, but {end:g} was given.",
            do="ask for a shorter horizon.",
        )
    inside = curve.age < end
    ages = curve.age[inside].astype(float)
    steps = np.concatenate([[1.0], curve.survival[inside]])
    edges = np.concatenate([[curve.conditioned_on], ages, [end]])
    area = steps * np.diff(edges)
    right_of = np.cumsum(area[::-1])[::-1][1:]
    died, at_risk = curve.failed[inside].astype(float), curve.at_risk[inside].astype(float)
    survivors = at_risk - died
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(
            (died > 0) & (survivors > 0), right_of**2 * died / (at_risk * survivors), 0.0
        )
    return RestrictedMean(
        mean=float(area.sum()),
        std_error=float(np.sqrt(terms.sum())),
        start=curve.conditioned_on,
        horizon=end,
        unit=curve.unit,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LifeLeft:
    """What a part that has reached an age may still expect, in ``unit`` from that age on."""

    given_age: float
    at_risk: float
    median: float
    median_interval: Interval
    mean: RestrictedMean
    unit: str


def life_left(
    table: RiskTable,
    *,
    age: float,
    horizon: float | None = None,
    cause: str | None = None,
    confidence_level: float = 0.95,
) -> LifeLeft:
    """How much life is left in a part of this age: the median, and the mean up to a horizon.

    Parameters
    ----------
    table : the counts.
    age : the age reached.
    horizon : counting of the mean stops at this age; the last age followed when absent.
    """
    curve = kaplan_meier(table, cause=cause, given_age=age)
    low, high = curve.quantile_interval(0.5, confidence_level=confidence_level)
    return LifeLeft(
        given_age=float(age),
        at_risk=float(curve.at_risk[0]),
        median=curve.median() - age,
        median_interval=Interval(low - age, high - age, "Brookmeyer-Crowley, log_log"),
        mean=restricted_mean(curve, horizon=horizon),
        unit=table.unit,
    )
