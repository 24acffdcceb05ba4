"""Does one part break the other, or do both break in the same dryers? Both told, if it can be.

A thermostat stuck closed wears out its cutout (one-way, a hidden state). A hard-used dryer in a
bad place breaks both parts early (both ways, a frailty). Either makes the two fail together. Four
models are fitted to the same rows: neither, each alone, and both.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from failstats.counts.row_pass import HiddenRows
from failstats.errors import FitError
from failstats.estimate.frailty_profile import VarianceProfile, climb, variance_profile
from failstats.estimate.hidden_likelihood import FEWEST_VISIBLE
from failstats.estimate.hidden_state import COLD_SENSITIVITY, HOT_SENSITIVITY, hidden_surface
from failstats.estimate.intervals import Interval
from failstats.estimate.peak import Surface

__all__ = ["Dependence", "Verdict", "dependence", "frailty_beyond"]

Verdict = Literal[
    "hidden_failure", "units_differ", "both", "cannot_be_told_apart", "no_dependence_seen"
]
FloatArray = NDArray[np.float64]
#: Points of the integral over the hidden failure's day, per stretch. Fewer than where the answer
#: itself is stated: models are compared, and the error is the same in all four.
NODES = 6
DECIDES_AT = 0.05
FEWEST_FAILURES = 5
MULTIPLIER = 4  # its place among the parameters


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dependence:
    """Four models of a pair on the same rows.

    Attributes
    ----------
    neither, hidden, frailty, both : log-likelihoods at their peaks.
    multiplier, multiplier_alone : of `both`, where units may differ, and of `hidden`.
    profile : of the variance of the frailty alone.
    """

    neither: float
    hidden: float
    frailty: float
    both: float
    multiplier: float
    multiplier_alone: float
    profile: VarianceProfile

    @property
    def variance(self) -> float:
        """Of the frailty, had nothing else linked the two parts."""
        return self.profile.variance

    @property
    def tau(self) -> float:
        """Kendall's tau between two lives of one unit, had nothing but the frailty linked them."""
        return self.profile.tau

    def tau_interval(self, confidence_level: float = 0.95) -> Interval:
        """Profile likelihood, through the variance; begins at 0 where units may be alike."""
        return self.profile.tau_interval(confidence_level)

    @property
    def hidden_p_value(self) -> float:
        """Whether a hidden failure is needed beside units that differ (one-sided)."""
        gain = max(2 * (self.both - self.frailty), 0.0)
        half = float(chi2.sf(gain, 1)) / 2
        return half if self.multiplier > 1 else 1 - half

    @property
    def frailty_p_value(self) -> float:
        """Whether units that differ are needed beside a hidden failure (variance at its edge)."""
        gain = max(2 * (self.both - self.hidden), 0.0)
        return float(chi2.sf(gain, 1)) / 2 if gain > 0 else 1.0

    @property
    def verdict(self) -> Verdict:
        """Which of the two the records ask for."""
        needs_hidden = self.hidden_p_value < DECIDES_AT
        needs_frailty = self.frailty_p_value < DECIDES_AT
        if needs_hidden:
            return "both" if needs_frailty else "hidden_failure"
        if needs_frailty:
            return "units_differ"
        gain = max(2 * (max(self.hidden, self.frailty) - self.neither), 0.0)
        alone = float(chi2.sf(gain, 1)) / 2
        return "cannot_be_told_apart" if alone < DECIDES_AT else "no_dependence_seen"


def _held(surface: Surface) -> Surface:
    """The same with the multiplier held at 1: the second part does nothing to the first."""

    def fixed(theta: FloatArray) -> tuple[float, FloatArray]:
        value, slope = surface(np.insert(theta, MULTIPLIER, 0.0))
        return value, np.delete(slope, MULTIPLIER)

    return fixed


def _by_variance(rows: HiddenRows, hot: float, cold: float) -> Callable[[float], Surface]:
    """The surface of units that differ by so much."""

    def differing(variance: float) -> Surface:
        return hidden_surface(
            rows, hot_sensitivity=hot, cold_sensitivity=cold, variance=variance, nodes=NODES
        )

    return differing


def _first(rows: HiddenRows) -> FloatArray:
    """Log parameters to begin from, log ratios at 0.

    Raises
    ------
    FitError : too few failures of either part.
    """
    weight = rows.weight[rows.life]
    found, partner = float(weight @ (rows.found > 0)), float(weight @ rows.a_failed)
    if min(found, partner) < FEWEST_FAILURES:
        raise FitError(
            f"dependence: {found:g} silent failures found and {partner:g} failures of the partner; "
            f"at least {FEWEST_FAILURES} of each needed."
        )
    days, visible = float(weight @ (rows.b_to - rows.b_from)), float(weight @ rows.visible)
    first = [0.2, np.log(2 * days / partner), 0.3, np.log(days / found), np.log(5.0)]
    if visible >= FEWEST_VISIBLE:
        first += [0.1, np.log(days / visible)]
    return np.array(first + [0.0] * _ratios(rows))


def _ratios(rows: HiddenRows) -> int:
    return 0 if rows.covariates is None else 2 * rows.covariates.shape[1]


def _begun(first: FloatArray, rows: HiddenRows, starts: Sequence[FloatArray]) -> FloatArray:
    """The first of the starts where it is of the same laws, log ratios at 0."""
    laws = first.size - _ratios(rows)
    if len(starts) and len(starts[0]) == laws:
        first[:laws] = starts[0]
    return first


def frailty_beyond(
    rows: HiddenRows,
    *,
    hot_sensitivity: float = HOT_SENSITIVITY,
    cold_sensitivity: float = COLD_SENSITIVITY,
    starts: Sequence[FloatArray] = (),
) -> VarianceProfile:
    """How much dryers differ beyond what is known of them, had nothing else linked a pair.

    Parameters
    ----------
    rows : as in `dependence`, with covariates: each multiplies the hazard of either part by a
        ratio of its own, before the frailty does.
    hot_sensitivity, cold_sensitivity, starts : as in `dependence`; starts may lack the ratios.

    Raises
    ------
    FitError : fewer than 5 silent failures found or failures of the partner.
    """
    begin = _begun(_first(rows), rows, starts)
    differing = _by_variance(rows, hot_sensitivity, cold_sensitivity)
    alone = climb(_held(differing(0.0)), np.delete(begin, MULTIPLIER))
    return variance_profile(lambda v: _held(differing(v)), alone)[1]


def dependence(
    rows: HiddenRows,
    *,
    hot_sensitivity: float = HOT_SENSITIVITY,
    cold_sensitivity: float = COLD_SENSITIVITY,
    starts: Sequence[FloatArray] = (),
) -> Dependence:
    """Fit a hidden failure and units that differ, each alone and both, to one pair's rows.

    Parameters
    ----------
    rows : stretches between looks, of units watched from installation (a unit that joined later
        has lost its weak parts unseen, and would make units look more alike than they are).
    hot_sensitivity, cold_sensitivity : as in `hidden_state_fit`.
    starts : log parameters of a fit of like rows.

    Raises
    ------
    FitError : fewer than 5 silent failures found or failures of the partner.

    Notes
    -----
    Nested by construction: multiplier 1, variance 0, or both. A hidden failure is needed where it
    raises the likelihood beside a free frailty (half of a chi-square tail, multiplier above 1), a
    frailty where it does beside a free multiplier (half of the chance at its edge 0).

    References
    ----------
    Self and Liang (1987) JASA 82:605 (tests at the edge of the parameters, from memory).
    """
    begin = _begun(_first(rows), rows, starts)
    differing = _by_variance(rows, hot_sensitivity, cold_sensitivity)
    plain = differing(0.0)
    held = np.delete(begin, MULTIPLIER)
    alone, linked = climb(_held(plain), held), climb(plain, begin)

    _, by_frailty = variance_profile(lambda v: _held(differing(v)), alone)
    best, by_both = variance_profile(differing, linked)
    frailty = float(by_frailty.heights[by_frailty.top])
    return Dependence(
        neither=alone.height,
        hidden=linked.height,
        frailty=frailty,
        both=max(float(by_both.heights[by_both.top]), linked.height, frailty),
        multiplier=float(np.exp(best.theta[MULTIPLIER])),
        multiplier_alone=float(np.exp(linked.theta[MULTIPLIER])),
        profile=by_frailty,
    )
