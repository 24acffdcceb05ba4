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
from failstats.estimate.intervals import Interval
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife
from failstats.estimate.likelihood import CountLikelihood
from failstats.estimate.peak import Peak, Surface, find_peak, profile_interval, wald_interval
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
#: Gauss-Legendre nodes per stretch; 12 agree with 48 to 1e-6 of the log-likelihood (tested).
NODES = 12
#: Fewer silent failures found, or failures of the partner, and nothing is fitted.
FEWEST_FOUND = 5
#: Visible failures of B needed for a law of their own; below, they only end lives.
FEWEST_VISIBLE = 5
#: Stretches handled at once, so that memory stays below about 300 MB.
BATCH = 100_000
NAMES = ("own shape", "own scale", "hidden shape", "hidden scale", "multiplier")
VISIBLE_NAMES = ("visible shape", "visible scale")


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
            surface = hidden_surface(
                self.rows,
                hot_sensitivity=self.hot_sensitivity,
                cold_sensitivity=self.cold_sensitivity,
                untested=self.untested,
            )
            return profile_interval(
                surface, peak=self.peak, name=name, confidence_level=confidence_level
            )
        return wald_interval(self.peak, name, confidence_level=confidence_level)

    def clustered(self) -> HiddenState:
        """The same fit with a covariance that takes the lives of one unit (or building) together."""
        surface = _Surface(
            self.rows, self.hot_sensitivity, self.cold_sensitivity, self.untested, NODES
        )
        scores = surface.scores(np.array(self.peak.theta))
        _, code = np.unique(self.rows.unit, return_inverse=True)
        summed = np.stack([np.bincount(code, weights=one) for one in scores.T])
        meat = summed @ summed.T
        covariance = self.peak.covariance @ meat @ self.peak.covariance
        return replace(self, peak=replace(self.peak, covariance=read_only(covariance)))

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


def _weibull(theta: np.ndarray, age: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """H, log H and log age, of theta = (log shape, log scale)."""
    log_age = np.log(np.maximum(age, 1e-9))
    log_sum = np.exp(theta[0]) * (log_age - theta[1])
    return np.exp(log_sum), log_sum, log_age


class _Surface:
    """The log-likelihood with its slope, stretch by stretch.

    With A's own cumulative hazard over a stretch split at B's failure, a life contributes the
    sum over stretches k of (good before k) x (turns bad in k) x (bad after k), plus good all
    along. Each factor has a logarithm per stretch, so running sums give all of them at once.
    """

    def __init__(
        self, rows: HiddenRows, hot: float, cold: float, untested: str, nodes: int
    ) -> None:
        self.rows, self.untested = rows, untested
        self.with_visible = float(rows.weight[rows.life] @ rows.visible) >= FEWEST_VISIBLE
        self.names = NAMES + (VISIBLE_NAMES if self.with_visible else ())
        passed = rows.hot_passed + (rows.untested if untested == "passed" else 0)
        with np.errstate(divide="ignore"):
            self.log_test = (
                passed * np.log1p(-min(hot, 1 - 1e-9))
                + rows.cold_passed * np.log1p(-min(cold, 1 - 1e-9))
                + np.where(rows.found == 1, np.log(hot), 0.0)
            )
        at, weight = np.polynomial.legendre.leggauss(nodes)
        x = (at + 1) / 2  # nodes gather where a stretch begins: the hazard of a new part bends there
        self.share, self.log_weight = x**2, np.log(weight * x)
        first = np.concatenate([[0], np.flatnonzero(np.diff(rows.life)) + 1])
        self.cuts = self._batch_cuts(first)

    def _batch_cuts(self, first: np.ndarray) -> list[tuple[int, int, int, int]]:
        """(first stretch, last stretch, first life, last life) of each batch."""
        total = self.rows.life.size
        cuts, begin_life = [], 0
        while begin_life < first.size:
            begin = int(first[begin_life])
            end_life = int(np.searchsorted(first, begin + BATCH, side="left"))
            end_life = max(min(end_life, first.size), begin_life + 1)
            end = int(first[end_life]) if end_life < first.size else total
            cuts.append((begin, end, begin_life, end_life))
            begin_life = end_life
        return cuts

    def __call__(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = 0.0, np.zeros(theta.size)
        for cut in self.cuts:
            heights, pieces, _ = self._batch(theta, cut)
            weight = self.rows.weight[cut[2] : cut[3]]
            value += float(weight @ heights)
            slope += pieces @ weight[self.rows.life[cut[0] : cut[1]] - cut[2]]
        return value, slope

    def scores(self, theta: np.ndarray) -> np.ndarray:
        """Shape (n, p): each life's weighted pull at the parameters."""
        found = np.zeros((self.rows.lives, theta.size))
        for cut in self.cuts:
            _, pieces, _ = self._batch(theta, cut)
            mine = self.rows.life[cut[0] : cut[1]] - cut[2]
            for j in range(theta.size):
                found[cut[2] : cut[3], j] = np.bincount(
                    mine, weights=pieces[j], minlength=cut[3] - cut[2]
                )
        return found * self.rows.weight[:, None]

    def induced(self, theta: np.ndarray) -> tuple[float, float]:
        """Partner failures expected to have happened while B was bad, and all of them."""
        bad, total = 0.0, 0.0
        for cut in self.cuts:
            _, _, chance = self._batch(theta, cut)
            weight = self.rows.weight[self.rows.life[cut[0] : cut[1]]]
            failed = self.rows.a_failed[cut[0] : cut[1]]
            bad += float((weight * chance)[failed].sum())
            total += float(weight[failed].sum())
        return bad, total

    def _batch(
        self, theta: np.ndarray, cut: tuple[int, int, int, int]
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Log-likelihood per life, slope per stretch (p, r), and the chance of bad at each
        stretch's end given the whole history."""
        rows, where = self.rows, slice(cut[0], cut[1])
        life = rows.life[where] - cut[2]
        a_law, b_law, kappa = theta[0:2], theta[2:4], np.exp(theta[4])
        begin, end = rows.b_from[where], rows.b_to[where]
        length = np.maximum(end - begin, 1e-6)
        running = rows.a_from[where] >= 0
        a_begin = np.where(running, rows.a_from[where], 0.0)
        a_end = a_begin + length
        failed = rows.a_failed[where]
        run = running.astype(float)
        p = theta.size

        def curve(law: np.ndarray, age: np.ndarray, on: Any = 1.0) -> tuple[np.ndarray, ...]:
            total, log_total, log_age = _weibull(law, age)
            k = np.exp(law[0])
            return total * on, total * log_total * on, -k * total * on, log_total, log_age

        node = length[:, None] * self.share
        a0, a1 = curve(a_law, a_begin, run), curve(a_law, a_end, run)
        am = curve(a_law, a_begin[:, None] + node, run[:, None])
        b0, b1, bm = curve(b_law, begin), curve(b_law, end), curve(b_law, begin[:, None] + node)
        over = a1[0] - a0[0]
        # stretches spent good
        good = -over - (b1[0] - b0[0])
        good_d = np.zeros((p, life.size))
        good_d[0], good_d[1] = -(a1[1] - a0[1]), -(a1[2] - a0[2])
        good_d[2], good_d[3] = -(b1[1] - b0[1]), -(b1[2] - b0[2])
        # stretches spent bad
        bad = -kappa * over + self.log_test[where]
        bad_d = np.zeros((p, life.size))
        bad_d[0], bad_d[1], bad_d[4] = kappa * good_d[0], kappa * good_d[1], -kappa * over
        # stretches in which B turns bad
        before = am[0] - a0[0][:, None]
        shape_b = np.exp(b_law[0])
        term = (
            self.log_weight + np.log(length)[:, None] + b_law[0] + bm[3] - bm[4]
            - (bm[0] - b0[0][:, None]) - before - kappa * (over[:, None] - before)
        )  # fmt: skip
        if self.with_visible:
            v_law = theta[5:7]
            v0, v1, vm = curve(v_law, begin), curve(v_law, end), curve(v_law, begin[:, None] + node)
            good -= v1[0] - v0[0]
            good_d[5], good_d[6] = -(v1[1] - v0[1]), -(v1[2] - v0[2])
            term -= vm[0] - v0[0][:, None]
            seen = rows.visible[where]
            k = np.exp(v_law[0])
            good += np.where(seen, v_law[0] + v1[3] - v1[4], 0.0)
            good_d[5] += np.where(seen, 1 + v1[3], 0.0)
            good_d[6] -= np.where(seen, k, 0.0)
        top = term.max(axis=1)
        share = np.exp(term - top[:, None])
        total = share.sum(axis=1)
        share /= total[:, None]
        turn = top + np.log(total) + self.log_test[where]
        turn_d = np.zeros((p, life.size))
        for j, part in ((0, 1), (1, 2)):
            whole = (a1[part] - a0[part])[:, None]
            passed = am[part] - a0[part][:, None]
            turn_d[j] = -(share * (passed + kappa * (whole - passed))).sum(axis=1)
        turn_d[2] = (share * (1 + bm[3] - (bm[1] - b0[1][:, None]))).sum(axis=1)
        turn_d[3] = (share * (-shape_b - (bm[2] - b0[2][:, None]))).sum(axis=1)
        turn_d[4] = -kappa * (share * (over[:, None] - before)).sum(axis=1)
        if self.with_visible:
            turn_d[5] = -(share * (vm[1] - v0[1][:, None])).sum(axis=1)
            turn_d[6] = -(share * (vm[2] - v0[2][:, None])).sum(axis=1)
        # A fails at a stretch's end, in either state
        shape_a = np.exp(a_law[0])
        fails = np.where(failed, a_law[0] + a1[3] - a1[4], 0.0)
        good, bad, turn = good + fails, bad + fails, turn + fails
        bad, turn = bad + failed * theta[4], turn + failed * theta[4]
        for found in (good_d, bad_d, turn_d):
            found[0] += np.where(failed, 1 + a1[3], 0.0)
            found[1] -= np.where(failed, shape_a, 0.0)
        bad_d[4] += failed
        turn_d[4] += failed
        return self._assembled(where, life, good, bad, turn, good_d, bad_d, turn_d)

    def _assembled(
        self,
        where: slice,
        life: np.ndarray,
        good: np.ndarray,
        bad: np.ndarray,
        turn: np.ndarray,
        good_d: np.ndarray,
        bad_d: np.ndarray,
        turn_d: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        first = np.concatenate([[0], np.flatnonzero(np.diff(life)) + 1])
        last = np.concatenate([first[1:], [life.size]]) - 1
        ahead = _sum_before(good, first, life)
        behind = _sum_before(bad, first, life)
        bad_total = np.add.reduceat(bad, first)
        term = ahead + turn + (bad_total[life] - behind - bad)
        all_good = np.add.reduceat(good, first)
        found = self.rows.found[where][last] > 0
        seen = self.rows.visible[where][last]
        term = np.where(seen[life], -np.inf, term)
        all_good = np.where(found, -np.inf, all_good)
        top = np.maximum(np.maximum.reduceat(term, first), all_good)
        share = np.exp(term - top[life])
        stay = np.exp(all_good - top)
        total = np.add.reduceat(share, first) + stay
        share, stay = share / total[life], stay / total
        turned_before = _sum_before(share, first, life)
        turned_after = np.maximum(np.add.reduceat(share, first)[life] - turned_before - share, 0.0)
        pieces = (
            good_d * (stay[life] + turned_after) + turn_d * share + bad_d * turned_before
        )
        return top + np.log(total), pieces, turned_before + share


def _sum_before(values: np.ndarray, first: np.ndarray, life: np.ndarray) -> np.ndarray:
    """Within each life, the sum over the stretches before each one."""
    running = np.cumsum(values) - values
    return running - running[first][life]


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
    nodes: int = NODES,
) -> Surface:
    """The log-likelihood with its slope, as a function of the log parameters."""
    hot = _sensitivity(hot_sensitivity, "hot_sensitivity")
    cold = _sensitivity(cold_sensitivity, "cold_sensitivity")
    if untested not in ("nothing", "passed"):
        raise InputError(f"untested must be nothing or passed, but is {untested!r}.")
    return _Surface(rows, hot, cold, untested, nodes)


def hidden_state_fit(
    rows: HiddenRows,
    *,
    hot_sensitivity: float = HOT_SENSITIVITY,
    cold_sensitivity: float = COLD_SENSITIVITY,
    untested: str = "nothing",
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
        nodes=nodes,
    )
    assert isinstance(surface, _Surface)
    per_row = rows.weight[rows.life]
    found = float(per_row @ (rows.found > 0))
    partner = float(per_row @ rows.a_failed)
    visible = float(per_row @ rows.visible)
    for count, what in ((found, "silent failures were found"), (partner, "failures of the partner")):
        if count < FEWEST_FOUND:
            raise FitError(f"hidden state: only {count:g} {what}; at least {FEWEST_FOUND} needed.")
    days = float(per_row @ (rows.b_to - rows.b_from))
    starts = []
    for times, factor in ((1.0, 5.0), (0.6, 30.0)):
        start = [0.2, np.log(2 * days / partner), 0.3, np.log(times * days / found), np.log(factor)]
        if surface.with_visible:
            start += [0.1, np.log(days / visible)]
        starts.append(np.array(start))
    peak = find_peak(surface, starts=starts, names=surface.names, what="hidden state")
    induced, total = surface.induced(np.array(peak.theta))
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
        induced_share=induced / total,
    )
