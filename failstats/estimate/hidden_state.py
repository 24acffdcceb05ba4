"""How long a part lasts that fails unseen, and what it does to its partner.

A thermostat that sticks closed goes on unnoticed and wears out the cutout. Its day of failure is
integrated out for each unit, between the day it was known to work and the day it was looked at.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.counts.row_pass import HiddenRows
from failstats.errors import FitError, InputError
from failstats.estimate.hidden_frailty import FrailHiddenSurface
from failstats.estimate.hidden_likelihood import NODES, HiddenSurface
from failstats.estimate.intervals import Interval
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife
from failstats.estimate.likelihood import CountLikelihood
from failstats.estimate.peak import Peak, find_peak, profile_interval, wald_interval
from failstats.estimate.stretch import read_only

__all__ = [
    "COLD_SENSITIVITY",
    "HOT_SENSITIVITY",
    "HiddenState",
    "hidden_state_fit",
    "hidden_surface",
]

#: Share of stuck parts that a test shows: common practice, no source. Vary them (bracket).
HOT_SENSITIVITY = 0.95
COLD_SENSITIVITY = 0.0
#: Fewer silent failures found, or failures of the partner, and nothing is fitted.
FEWEST_FOUND = 5
#: Lives above which the fit begins from that of a part of the units: a third of the time.
MANY_LIVES = 40_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HiddenState:
    """The two-state model of a pair.

    Attributes
    ----------
    peak : log parameters with covariance. rows : the stretches it was fitted on.
    hot_sensitivity, cold_sensitivity, untested : as assumed.
    lives, found, partner_failures, visible_failures : how much stands behind it.
    induced_share : of the partner's failures, the share expected to have happened while B was
        bad; a cold test at those visits would have passed B.
    variance : of the frailty of units, as assumed; lives are then those of a unit of frailty 1.
    """

    peak: Peak
    rows: HiddenRows
    hot_sensitivity: float
    cold_sensitivity: float
    untested: str
    lives: float
    found: float
    partner_failures: float
    visible_failures: float
    induced_share: float
    variance: float = 0.0

    def _value(self, name: str) -> float:
        return float(np.exp(self.peak.theta[self.peak.at(name)]))

    @property
    def multiplier(self) -> float:
        """How many times likelier the partner fails while B is bad."""
        return self._value("multiplier")

    @property
    def hidden(self) -> FittedLife:
        """Life of B to its silent failure."""
        return self._life("hidden", self.found)

    @property
    def own(self) -> FittedLife:
        """Life of the partner while B is good."""
        return self._life("own", self.partner_failures * (1 - self.induced_share))

    @property
    def visible(self) -> FittedLife | None:
        """Life of B to a visible failure; None where too few failed so."""
        if "visible shape" not in self.peak.names:
            return None
        return self._life("visible", self.visible_failures)

    def _life(self, which: str, failures: float) -> FittedLife:
        places = [self.peak.at(f"{which} shape"), self.peak.at(f"{which} scale")]
        days = float(self.rows.weight[self.rows.life] @ (self.rows.b_to - self.rows.b_from))
        family = FAMILIES["weibull"]
        nothing = RiskTable.from_lives(0, [max(days, 1.0)], [False])
        return FittedLife(
            model="weibull",
            theta=read_only(self.peak.theta[places]),
            covariance=read_only(self.peak.covariance[np.ix_(places, places)]),
            covariance_kind="hidden state integrated",
            log_likelihood=self.peak.log_likelihood,
            failures=failures,
            lives=self.lives,
            exposure=days,
            label="hidden state integrated",
            unit="days",
            likelihood=CountLikelihood.of(nothing, family),
        )

    def interval(
        self, name: str = "multiplier", confidence_level: float = 0.95, *, method: str = "normal"
    ) -> Interval:
        """Interval of one of "multiplier", "hidden scale", "hidden shape", "own scale", "own
        shape", "visible scale", "visible shape": by standard errors on the log scale, or by
        ``method="profile"`` (slower)."""
        if method == "profile":
            surface = self._surface()
            return profile_interval(
                surface, peak=self.peak, name=name, confidence_level=confidence_level
            )
        return wald_interval(self.peak, name, confidence_level=confidence_level)

    def clustered(self) -> HiddenState:
        """The same fit, its covariance taking the lives of one unit (or building) together."""
        scores = self._surface().scores(np.array(self.peak.theta))
        covariance = self.peak.covariance @ (scores.T @ scores) @ self.peak.covariance
        return replace(self, peak=replace(self.peak, covariance=read_only(covariance)))

    def _surface(self) -> HiddenSurface | FrailHiddenSurface:
        return hidden_surface(
            self.rows,
            hot_sensitivity=self.hot_sensitivity,
            cold_sensitivity=self.cold_sensitivity,
            untested=self.untested,
            variance=self.variance,
        )

    def chance_bad(self, b_age: Any, *, a_age: Any, a_failed: bool = True) -> np.ndarray:
        """Chance that B is bad now, given that nothing was found since both were good.

        Parameters
        ----------
        b_age, a_age : ages in days of B and of its partner; both were in place, and the partner
            did not fail, over the younger one's life, B being good when that began.
        a_failed : whether the partner has just failed.
        """
        b, a = np.broadcast_arrays(np.asarray(b_age, float), np.asarray(a_age, float))
        span = np.minimum(a, b).ravel()
        at, weight = np.polynomial.legendre.leggauss(64)
        u = span[:, None] * (at + 1) / 2
        b0, a0 = (b.ravel() - span)[:, None], (a.ravel() - span)[:, None]
        own, hidden = self.own, self.hidden
        gone_a = own.cumulative_hazard(a0 + u) - own.cumulative_hazard(a0)
        all_a = own.cumulative_hazard(a.ravel()) - own.cumulative_hazard(a0[:, 0])
        gone_b = hidden.cumulative_hazard(b0 + u) - hidden.cumulative_hazard(b0)
        bad = hidden.hazard(b0 + u) * np.exp(
            -gone_b - gone_a - self.multiplier * (all_a[:, None] - gone_a)
        )
        bad = (bad * weight).sum(axis=1) * span / 2
        good = np.exp(
            -all_a - hidden.cumulative_hazard(b.ravel()) + hidden.cumulative_hazard(b0[:, 0])
        )
        bad = bad * (self.multiplier if a_failed else 1.0)
        return (bad / np.maximum(bad + good, 1e-300)).reshape(b.shape)

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe, with the keys of the contract's `hidden`."""
        life = self.hidden.parameters
        return {
            "multiplier": self.multiplier,
            "multiplier_ci": list(self.interval("multiplier")),
            "life": {"shape": life["shape"], "scale_days": life["scale"]},
            "scale_ci": list(self.interval("hidden scale")),
        }


def _sensitivity(value: float, name: str) -> float:
    if not 0 <= value <= 1:
        raise InputError(f"{name} must be a share between 0 and 1, but is {value}.")
    return float(value)


def hidden_surface(
    rows: HiddenRows,
    *,
    hot_sensitivity: float = HOT_SENSITIVITY,
    cold_sensitivity: float = COLD_SENSITIVITY,
    untested: str = "nothing",
    variance: float = 0.0,
    nodes: int = NODES,
) -> HiddenSurface | FrailHiddenSurface:
    """The log-likelihood with its slope, as a function of the log parameters."""
    hot = _sensitivity(hot_sensitivity, "hot_sensitivity")
    cold = _sensitivity(cold_sensitivity, "cold_sensitivity")
    if untested not in ("nothing", "passed"):
        raise InputError(f"untested must be nothing or passed, but is {untested!r}.")
    if not 0 <= variance < 20:
        raise InputError(f"variance must be 0 or more and below 20, but is {variance}.")
    plain = HiddenSurface(rows, hot, cold, untested, nodes)
    return plain if variance == 0 else FrailHiddenSurface(plain, float(variance))


def _begun(
    rows: HiddenRows, hot: float, cold: float, untested: str, variance: float, nodes: int
) -> HiddenState | None:
    """A fit of every so many units, from which that of all is a few steps away."""
    every = int(np.ceil(rows.lives / MANY_LIVES * 2))
    keep = np.unique(rows.unit, return_inverse=True)[1] % every == 0
    mine = keep[rows.life]
    columns = {name: getattr(rows, name) for name in HiddenRows.__dataclass_fields__}
    for name, held in columns.items():
        if held is not None:
            columns[name] = held[keep if name in ("unit", "weight", "cluster") else mine]
    columns["life"] = np.cumsum(keep)[columns["life"]] - 1
    try:
        return hidden_state_fit(
            HiddenRows(**columns), hot_sensitivity=hot, cold_sensitivity=cold,
            untested=untested, variance=variance, nodes=nodes,
        )  # fmt: skip
    except FitError:
        return None


def hidden_state_fit(
    rows: HiddenRows,
    *,
    hot_sensitivity: float = HOT_SENSITIVITY,
    cold_sensitivity: float = COLD_SENSITIVITY,
    untested: str = "nothing",
    variance: float = 0.0,
    start: HiddenState | None = None,
    nodes: int = NODES,
) -> HiddenState:
    """Fit the life of a part that fails unseen, its partner's own life, and the multiplier.

    Parameters
    ----------
    rows : stretches between looks, see ``HiddenRows``.
    hot_sensitivity, cold_sensitivity : share of bad parts that each test shows; a good part
        always passes.
    untested : what it means that somebody judged B without a stated test: "nothing", or
        "passed" (it looked good, as if tested hot). Fit both: the answers bound the truth.
    variance : of a gamma frailty on all hazards of a unit, as `unit_frailty` finds it in other
        parts; 0 when units are alike. A weak unit breaks both parts early, which looks like one
        breaking the other: with variance v a multiplier near (1 + v) times too large. Rows must
        then come from units watched from installation.
    start : a fit of like rows to begin from, for brackets and resampled weights.

    Returns
    -------
    HiddenState : ``.hidden``, ``.own`` and ``.visible`` are fitted lives, ``.multiplier`` with
    ``.interval("multiplier")``.

    Raises
    ------
    FitError : fewer than 5 silent failures found or of the partner's failures, or the records
    do not hold one of the parameters.

    Notes
    -----
    B's silent failure at age T (Weibull) multiplies A's Weibull hazard by the multiplier from
    then on. Given T, A's failures and the tests are independent; T is integrated out between
    B's birth and the end of its life. Visible failures of B come from good parts only and have
    their own Weibull law. Whether a test is made must not depend on B's state.
    """
    surface = hidden_surface(
        rows,
        hot_sensitivity=hot_sensitivity,
        cold_sensitivity=cold_sensitivity,
        untested=untested,
        variance=variance,
        nodes=nodes,
    )
    with_visible = "visible shape" in surface.names
    per_row = rows.weight[rows.life]
    found = float(per_row @ (rows.found > 0))
    partner = float(per_row @ rows.a_failed)
    visible = float(per_row @ rows.visible)
    for count, what in (
        (found, "silent failures were found"),
        (partner, "failures of the partner"),
    ):
        if count < FEWEST_FOUND:
            raise FitError(f"hidden state: only {count:g} {what}; at least {FEWEST_FOUND} needed.")
    days = float(per_row @ (rows.b_to - rows.b_from))
    starts = []
    for times, factor in ((1.0, 5.0), (0.6, 30.0)):
        first = [0.2, np.log(2 * days / partner), 0.3, np.log(times * days / found), np.log(factor)]
        if with_visible:
            first += [0.1, np.log(days / visible)]
        starts.append(np.array(first))
    if start is None and rows.lives > MANY_LIVES:
        start = _begun(rows, hot_sensitivity, cold_sensitivity, untested, variance, nodes)
    if start is not None and start.peak.names == surface.names:
        starts = [np.array(start.peak.theta), *starts]
    peak = find_peak(surface, starts=starts, names=surface.names, what="hidden state")
    induced, total = surface.induced(np.array(peak.theta)).sum(axis=0)
    return HiddenState(
        peak=peak,
        rows=rows,
        hot_sensitivity=float(hot_sensitivity),
        cold_sensitivity=float(cold_sensitivity),
        untested=untested,
        lives=float(rows.weight.sum()),
        found=found,
        partner_failures=partner,
        visible_failures=visible,
        induced_share=float(induced / total),
        variance=float(variance),
    )
