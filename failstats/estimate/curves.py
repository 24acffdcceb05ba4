"""Life curves: what share of parts still works at each age, without assuming a shape.

Everything is computed from a RiskTable, so any number of lives costs the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.intervals import Interval, normal, normal_quantile, survival_interval
from failstats.estimate.stretch import followed_stretch, read_only

__all__ = [
    "HazardCurve",
    "LifeCurve",
    "kaplan_meier",
    "nelson_aalen",
]


def _step(ages: np.ndarray, values: np.ndarray, asked: Any, before: float) -> np.ndarray:
    padded = np.concatenate([[before], values])
    return padded[np.searchsorted(ages, np.asarray(asked, dtype=float), side="right")]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LifeCurve:
    """The share of parts still working at each age (a step curve).

    Attributes
    ----------
    age, at_risk, failed, left : shape (n,), the counts it rests on; left includes other causes.
    survival : shape (n,), share still working just after each age.
    relative_variance : shape (n,), Greenwood's sum d / (n (n - d)).
    conditioned_on : the curve speaks of parts that reached this age (0: all parts).
    followed_to : nothing is known beyond this age unless the survival has reached 0.
    more_beyond : lives were followed at later ages too, past a gap; the curve stops before it.
    """

    age: np.ndarray
    at_risk: np.ndarray
    failed: np.ndarray
    left: np.ndarray
    survival: np.ndarray
    relative_variance: np.ndarray
    conditioned_on: float
    followed_to: float
    more_beyond: bool
    lives: float
    failures: float
    cause: str | None
    unit: str

    @property
    def ended(self) -> bool:
        """Whether the curve has reached 0, so that it is known at every later age."""
        return bool(self.survival.size and self.survival[-1] <= 0 and not self.more_beyond)

    @property
    def std_error(self) -> np.ndarray:
        """Shape (n,): Greenwood's standard error of the survival."""
        with np.errstate(invalid="ignore"):
            error = self.survival * np.sqrt(self.relative_variance)
        return np.where(self.survival > 0, error, 0.0)

    def survival_at(self, ages: Any) -> np.ndarray:
        """Share still working just after the given ages; NaN where nobody was followed."""
        asked = np.asarray(ages, dtype=float)
        found = _step(self.age, self.survival, asked, 1.0)
        unknown = (asked < self.conditioned_on) | ((asked > self.followed_to) & (not self.ended))
        return np.where(unknown, np.nan, found)

    def interval_at(
        self, ages: Any, *, confidence_level: float = 0.95, scale: str = "log_log"
    ) -> tuple[np.ndarray, np.ndarray]:
        """Interval of the survival at the given ages."""
        variance = _step(self.age, self.relative_variance, ages, 0.0)
        return survival_interval(
            self.survival_at(ages), variance, confidence_level=confidence_level, scale=scale
        )

    def interval(
        self, confidence_level: float = 0.95, *, scale: str = "log_log"
    ) -> tuple[np.ndarray, np.ndarray]:
        """Pointwise interval at every age of the curve: log_log, log or plain scale."""
        return survival_interval(
            self.survival, self.relative_variance, confidence_level=confidence_level, scale=scale
        )

    def quantile(self, share_failed: float = 0.5) -> float:
        """The first age by which this share has failed; infinite when it was never reached."""
        if not 0 < share_failed < 1:
            raise InputError(f"share_failed must lie between 0 and 1, not {share_failed}.")
        return _first_at_or_below(self.age, self.survival, 1 - share_failed)

    def quantile_interval(
        self,
        share_failed: float = 0.5,
        *,
        confidence_level: float = 0.95,
        scale: str = "log_log",
    ) -> Interval:
        """The ages whose survival interval holds this share (Brookmeyer and Crowley 1982).

        An end that was never reached is infinite.
        """
        low, high = self.interval(confidence_level, scale=scale)
        # NaN stands for "nothing known": it bounds nothing from below (0) nor from above (1).
        low, high = np.where(np.isnan(low), 1.0, low), np.where(np.isnan(high), 0.0, high)
        reached = np.minimum.accumulate(high) if high.size else high
        return Interval(
            _first_at_or_below(self.age, low, 1 - share_failed),
            _first_at_or_below(self.age, reached, 1 - share_failed),
            f"Brookmeyer-Crowley, {scale}",
        )

    def median(self) -> float:
        """The age by which half have failed; infinite when that was never reached."""
        return self.quantile(0.5)

    def table(self) -> Any:
        """One row per age, as a pandas data frame."""
        import pandas as pd

        low, high = self.interval()
        return pd.DataFrame(
            {
                f"age_{self.unit}": self.age,
                "at_risk": self.at_risk,
                "failed": self.failed,
                "left": self.left,
                "survival": self.survival,
                "std_error": self.std_error,
                "low": low,
                "high": high,
            }
        )

    def __str__(self) -> str:
        middle = self.median()
        half = (
            f"half fail by {middle:,.0f} {self.unit}"
            if np.isfinite(middle)
            else (f"fewer than half had failed by {self.followed_to:,.0f} {self.unit}")
        )
        lines = [f"{self.lives:,} lives, {self.failures:,} failures", half]
        if self.conditioned_on > 0:
            lines.append(f"speaks of parts that reached {self.conditioned_on:,.0f} {self.unit}")
        return "\n".join(lines)


def _first_at_or_below(ages: np.ndarray, values: np.ndarray, level: float) -> float:
    # A survival of exactly 1/2 must count as reached although a product of shares rounds.
    hit = np.flatnonzero(values <= level * (1 + 1e-12))
    return float(ages[hit[0]]) if hit.size else float("inf")


def _counted(table: RiskTable, cause: str | None) -> tuple[np.ndarray, np.ndarray]:
    if cause is None:
        return table.failed_total, table.left
    alone = table.only(cause)
    return alone.failed_total, alone.left


def kaplan_meier(
    table: RiskTable, *, cause: str | None = None, given_age: float | None = None
) -> LifeCurve:
    """What share of parts still works at each age, from records in which many have not failed yet.

    Parameters
    ----------
    table : the counts.
    cause : count failures of this cause only; parts that ended otherwise count as left. Not the
        share that will fail so when other causes exist: see ``aalen_johansen``.
    given_age : speak of parts that have reached this age.

    Returns
    -------
    LifeCurve, one row per age at which somebody was at risk.

    Notes
    -----
    Failures and departures of one day: the departed were at risk that day. Greenwood's variance.
    When nobody is at risk early, or all of a few early lives fail, the curve starts at a later
    age and says so in ``conditioned_on``. Reference: Kaplan and Meier (1958).

    Examples
    --------
    >>> lives = RiskTable.from_lives(0, [1, 2, 2, 4], ["wear", "wear", "", "wear"])
    >>> kaplan_meier(lives).survival.tolist()
    [1.0, 0.75, 0.5, 0.0]
    """
    failed, left = _counted(table, cause)
    stretch = followed_stretch(table, failed=failed, given_age=given_age)
    rows = stretch.rows
    at_risk, died, gone = table.at_risk[rows], failed[rows], left[rows]
    with np.errstate(divide="ignore", invalid="ignore"):
        survival = np.cumprod((at_risk - died) / at_risk)
        greenwood = np.where(died > 0, died / (at_risk * (at_risk - died.astype(float))), 0.0)
    return LifeCurve(
        age=read_only(table.age[rows]),
        at_risk=read_only(at_risk),
        failed=read_only(died),
        left=read_only(gone),
        survival=read_only(survival),
        relative_variance=read_only(np.cumsum(greenwood)),
        conditioned_on=stretch.start,
        followed_to=stretch.end,
        more_beyond=stretch.more_beyond,
        lives=table.lives,
        failures=died.sum().item(),
        cause=cause,
        unit=table.unit,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HazardCurve:
    """Failures to expect per position by each age (the cumulative hazard).

    age, at_risk, failed, cumulative_hazard, variance : shape (n,).
    conditioned_on, followed_to : as in LifeCurve; the hazard counts from conditioned_on.
    """

    age: np.ndarray
    at_risk: np.ndarray
    failed: np.ndarray
    cumulative_hazard: np.ndarray
    variance: np.ndarray
    conditioned_on: float
    followed_to: float
    cause: str | None
    unit: str

    @property
    def std_error(self) -> np.ndarray:
        """Shape (n,): Aalen's standard error."""
        return np.sqrt(self.variance)

    def interval(
        self, confidence_level: float = 0.95, *, scale: str = "log"
    ) -> tuple[np.ndarray, np.ndarray]:
        """Pointwise interval, made on the log (default) or plain scale."""
        if scale not in ("log", "plain"):
            raise InputError(f"scale must be log or plain, but {scale} was given.")
        if scale == "plain":
            low, high = normal(
                self.cumulative_hazard, self.std_error, confidence_level=confidence_level
            )
            return np.maximum(low, 0.0), high
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = normal_quantile(confidence_level) * self.std_error / self.cumulative_hazard
            spread = np.exp(reach)
            return self.cumulative_hazard / spread, self.cumulative_hazard * spread

    def table(self) -> Any:
        """One row per age, as a pandas data frame."""
        import pandas as pd

        low, high = self.interval()
        return pd.DataFrame(
            {
                f"age_{self.unit}": self.age,
                "at_risk": self.at_risk,
                "failed": self.failed,
                "cumulative_hazard": self.cumulative_hazard,
                "std_error": self.std_error,
                "low": low,
                "high": high,
            }
        )


def nelson_aalen(
    table: RiskTable, *, cause: str | None = None, given_age: float | None = None
) -> HazardCurve:
    """How many failures each position would have seen by each age, were it never left empty.

    Notes
    -----
    Ties are counted together, d / n; the variance is the sum of d / n**2 (Aalen).
    """
    failed, _ = _counted(table, cause)
    stretch = followed_stretch(table, failed=failed, given_age=given_age, may_reach_zero=True)
    rows = stretch.rows
    at_risk, died = table.at_risk[rows], failed[rows]
    return HazardCurve(
        age=read_only(table.age[rows]),
        at_risk=read_only(at_risk),
        failed=read_only(died),
        cumulative_hazard=read_only(np.cumsum(died / at_risk)),
        variance=read_only(np.cumsum(died / np.square(at_risk, dtype=float))),
        conditioned_on=stretch.start,
        followed_to=stretch.end,
        cause=cause,
        unit=table.unit,
    )
