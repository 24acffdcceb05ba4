"""Which cause ends a life, by what age: cumulative incidence of competing causes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.intervals import survival_interval
from failstats.estimate.stretch import followed_stretch, read_only

__all__ = ["Incidence", "aalen_johansen"]

#: Share of cancelling terms below which their sum is rounding.
NOISE = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Incidence:
    """The share of parts that has ended by each cause, at each age.

    Attributes
    ----------
    causes : names, length k.
    age, at_risk, survival : shape (n,); survival is the share that no cause has ended.
    failed, share, variance : shape (k, n).
    conditioned_on, followed_to, more_beyond : as in LifeCurve.
    """

    causes: tuple[str, ...]
    age: np.ndarray
    at_risk: np.ndarray
    survival: np.ndarray
    failed: np.ndarray
    share: np.ndarray
    variance: np.ndarray
    conditioned_on: float
    followed_to: float
    more_beyond: bool
    unit: str

    @property
    def ended(self) -> bool:
        """Whether no part is left, so that the shares are known at every later age."""
        return bool(self.survival.size and self.survival[-1] <= 0 and not self.more_beyond)

    @property
    def std_error(self) -> np.ndarray:
        """Shape (k, n)."""
        return np.sqrt(self.variance)

    def _row(self, cause: str) -> int:
        if cause not in self.causes:
            raise InputError(f"cause must be one of {', '.join(self.causes)}, not {cause}.")
        return self.causes.index(cause)

    def _at(self, values: np.ndarray, ages: Any) -> np.ndarray:
        asked = np.asarray(ages, dtype=float)
        padded = np.concatenate([[0.0], values])
        found = padded[np.searchsorted(self.age, asked, side="right")]
        unknown = (asked < self.conditioned_on) | ((asked > self.followed_to) & (not self.ended))
        return np.where(unknown, np.nan, found)

    def share_at(self, ages: Any, *, cause: str) -> np.ndarray:
        """Share ended by this cause by the given ages; NaN where nobody was followed."""
        return self._at(self.share[self._row(cause)], ages)

    def std_error_at(self, ages: Any, *, cause: str) -> np.ndarray:
        """Its standard error."""
        return np.sqrt(self._at(self.variance[self._row(cause)], ages))

    def interval(self, confidence_level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Pointwise intervals, shape (k, n), on the log-log scale of 1 - share.

        With one cause these are the log-log limits of Kaplan-Meier. Where nothing has been
        seen yet the interval is (0, NaN).
        """
        rest = 1 - self.share
        with np.errstate(divide="ignore", invalid="ignore"):
            relative = self.variance / rest**2
        low, high = survival_interval(rest, relative, confidence_level=confidence_level)
        return 1 - high, 1 - low

    def time_lost(self, horizon: float) -> dict[str, float]:
        """Mean time up to the horizon that each cause takes from a part, in ``unit``.

        The times of all causes and the mean time lived add up to horizon - conditioned_on.
        """
        if horizon < self.conditioned_on or (horizon > self.followed_to and not self.ended):
            raise InputError(
                f"horizon must lie between {self.conditioned_on:g} and {self.followed_to:g} "
                f"{self.unit}, the ages followed, but {horizon:g} was given."
            )
        inside = self.age < horizon
        width = np.diff(np.concatenate([self.age[inside].astype(float), [float(horizon)]]))
        return {
            cause: float(self.share[row, inside] @ width) for row, cause in enumerate(self.causes)
        }

    def table(self) -> Any:
        """One row per cause and age, as a pandas data frame."""
        import pandas as pd

        low, high = self.interval()
        k, n = self.share.shape
        return pd.DataFrame(
            {
                "cause": np.repeat(np.array(self.causes, dtype=object), n),
                f"age_{self.unit}": np.tile(self.age, k),
                "at_risk": np.tile(self.at_risk, k),
                "failed": self.failed.ravel(),
                "share": self.share.ravel(),
                "std_error": self.std_error.ravel(),
                "low": low.ravel(),
                "high": high.ravel(),
            }
        )


def aalen_johansen(table: RiskTable, *, given_age: float | None = None) -> Incidence:
    """What share of parts each cause will have ended by each age, where causes compete.

    One minus Kaplan-Meier of a single cause says too much, because a part taken by another
    cause can no longer fail by this one.

    Parameters
    ----------
    table : the counts, failures by cause.
    given_age : speak of parts that have reached this age.

    Returns
    -------
    Incidence; at every age the shares of all causes and the survival add up to 1.

    Notes
    -----
    Failures of several causes on one day share one risk set; nothing depends on the order of
    rows. The variance is Greenwood's for several causes, from the multinomial covariance
    (d_j n [j=k] - d_j d_k) / n**3 of the day's hazards; without late entry it equals the
    infinitesimal jackknife over lives. Reference: Aalen and Johansen (1978).

    Examples
    --------
    >>> lives = RiskTable.from_lives(0, [1, 2, 2, 4], ["wear", "trip", "wear", ""])
    >>> aalen_johansen(lives).share.tolist()
    [[0.0, 0.0, 0.25, 0.25], [0.0, 0.25, 0.5, 0.5]]
    """
    total = table.failed_total
    stretch = followed_stretch(table, failed=total, given_age=given_age)
    rows = stretch.rows
    at_risk = table.at_risk[rows].astype(float)
    died = total[rows].astype(float)
    failed = np.array([table.failed[cause][rows] for cause in table.causes])
    failed = failed.reshape(len(table.causes), rows.size)
    survivors = at_risk - died
    survival = np.cumprod(survivors / at_risk)
    before = np.concatenate([[1.0], survival[:-1]]) if rows.size else survival
    share = np.cumsum(before * failed / at_risk, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(survivors > 0, died / (at_risk * survivors), 0.0)
    # d F(t) / d hazard_j(s) = before(s) [j = k] - (F(t) - F(s)) n / (n - d); squared over the
    # covariance and gathered in powers of F(t), so that one pass serves all ages.
    own = before**2 * failed * (at_risk - failed) / at_risk**3
    cross = before * failed / at_risk**2
    terms = (
        np.cumsum(own, axis=1) + 2 * np.cumsum(share * cross, axis=1),
        share**2 * np.cumsum(spread) + np.cumsum(share**2 * spread, axis=1),
        -2 * share * (np.cumsum(cross, axis=1) + np.cumsum(share * spread, axis=1)),
    )
    variance = terms[0] + terms[1] + terms[2]
    # What is left of terms that cancel to the last digits is rounding, and stands for 0.
    variance[variance < NOISE * (terms[0] + terms[1])] = 0.0
    return Incidence(
        causes=table.causes,
        age=read_only(table.age[rows]),
        at_risk=read_only(table.at_risk[rows]),
        survival=read_only(survival),
        failed=read_only(failed),
        share=read_only(share),
        variance=read_only(variance),
        conditioned_on=stretch.start,
        followed_to=stretch.end,
        more_beyond=stretch.more_beyond,
        unit=table.unit,
    )
