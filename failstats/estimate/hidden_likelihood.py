"""How well a hidden state agrees with what was seen: the likelihood behind ``hidden_state``.

Internal to ``hidden_state``: stretch by stretch, with its slope.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from failstats.counts.row_pass import HiddenRows

__all__ = ["NODES", "HiddenSurface", "by_code"]

#: Gauss-Legendre nodes per stretch; 12 agree with 48 to 1e-6 of the log-likelihood (tested).
NODES = 12
#: Visible failures of B needed for a law of their own; below, they only end lives.
FEWEST_VISIBLE = 5
#: Stretches handled at once: what a core's cache holds; a third faster than 100,000 at once.
BATCH = 4_000
#: Batches from which threads pay; sums are added in the order of the batches all the same.
MANY = 12
NAMES = ("own shape", "own scale", "hidden shape", "hidden scale", "multiplier")
VISIBLE_NAMES = ("visible shape", "visible scale")


def _ratio_names(count: int) -> tuple[str, ...]:
    return tuple(f"{law} ratio {j + 1}" for law in ("own", "hidden") for j in range(count))


def _weibull(theta: np.ndarray, age: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """H, log H and log age, of theta = (log shape, log scale)."""
    log_age = np.log(np.maximum(age, 1e-9))
    log_sum = np.exp(theta[0]) * (log_age - theta[1])
    return np.exp(log_sum), log_sum, log_age


class HiddenSurface:
    """The log-likelihood with its slope, stretch by stretch.

    With A's own cumulative hazard over a stretch split at B's failure, a life contributes the
    sum over stretches k of (good before k) x (turns bad in k) x (bad after k), plus good all
    along. Each factor has a logarithm per stretch, so running sums give all of them at once.

    Covariates multiply A's hazard by one set of ratios and B's by another, however B fails; the
    log ratios come last among the parameters.
    """

    def __init__(
        self, rows: HiddenRows, hot: float, cold: float, untested: str, nodes: int
    ) -> None:
        self.rows, self.untested = rows, untested
        self.with_visible = float(rows.weight[rows.life] @ rows.visible) >= FEWEST_VISIBLE
        self.laws = NAMES + (VISIBLE_NAMES if self.with_visible else ())
        count = 0 if rows.covariates is None else rows.covariates.shape[1]
        self.names = self.laws + _ratio_names(count)
        passed = rows.hot_passed + (rows.untested if untested == "passed" else 0)
        with np.errstate(divide="ignore"):
            self.log_test = (
                passed * np.log1p(-min(hot, 1 - 1e-9))
                + rows.cold_passed * np.log1p(-min(cold, 1 - 1e-9))
                + np.where(rows.found == 1, np.log(hot), 0.0)
            )
        at, weight = np.polynomial.legendre.leggauss(nodes)
        x = (at + 1) / 2  # nodes gather where a stretch begins: there a new part's hazard bends
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
        def one(cut: tuple[int, int, int, int]) -> tuple[float, np.ndarray]:
            heights, pieces, _ = self._batch(theta, cut)
            weight = self.rows.weight[cut[2] : cut[3]]
            slope = (pieces * weight[self.rows.life[cut[0] : cut[1]] - cut[2]]).sum(axis=1)
            return float((weight * heights).sum()), slope

        value, slope = 0.0, np.zeros(theta.size)
        for height, pull in self._each(one):
            value += height
            slope += pull
        return value, slope

    def _each(self, one: Callable[[tuple[int, int, int, int]], Any]) -> list[Any]:
        """Something done to every batch, on all cores where there are many; in their order."""
        if len(self.cuts) < MANY:
            return [one(cut) for cut in self.cuts]
        with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
            return list(pool.map(one, self.cuts))

    def by_life(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Log-likelihood of each life, shape (n,), and its slope, shape (n, p); unweighted."""
        heights = np.empty(self.rows.lives)
        slopes = np.empty((self.rows.lives, theta.size))

        def one(cut: tuple[int, int, int, int]) -> None:
            heights[cut[2] : cut[3]], pieces, _ = self._batch(theta, cut)
            mine = self.rows.life[cut[0] : cut[1]] - cut[2]
            for j in range(theta.size):
                slopes[cut[2] : cut[3], j] = np.bincount(
                    mine, weights=pieces[j], minlength=cut[3] - cut[2]
                )

        self._each(one)
        return heights, slopes

    def scores(self, theta: np.ndarray) -> np.ndarray:
        """Shape (c, p): the pull of each cluster at the parameters."""
        return by_code(self.rows.cluster_code, self.by_life(theta)[1] * self.rows.weight[:, None])

    def induced(self, theta: np.ndarray) -> np.ndarray:
        """Shape (n, 2): of each life, weighted, the partner failures expected to have happened
        while B was bad, and all of them."""
        counts = np.empty((self.rows.lives, 2))
        for cut in self.cuts:
            _, _, chance = self._batch(theta, cut)
            mine = self.rows.life[cut[0] : cut[1]] - cut[2]
            failed = self.rows.a_failed[cut[0] : cut[1]]
            for j, count in enumerate((chance * failed, failed.astype(float))):
                counts[cut[2] : cut[3], j] = np.bincount(
                    mine, weights=count, minlength=cut[3] - cut[2]
                )
        return counts * self.rows.weight[:, None]

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
        p = len(self.laws)
        lift_a, lift_b = np.zeros(life.size), np.zeros(life.size)
        if rows.covariates is not None:
            lift_a, lift_b = (rows.covariates[where] @ beta for beta in np.split(theta[p:], 2))
            run = run * np.exp(lift_a)
        same = None if rows.covariates is None else np.exp(lift_b)
        same_m = None if same is None else same[:, None]

        def curve(
            law: np.ndarray, age: np.ndarray, on: np.ndarray | None = None
        ) -> tuple[np.ndarray, ...]:
            """H, H log H, log H, log age; the slope of H in log scale is -shape H."""
            total, log_total, log_age = _weibull(law, age)
            if on is not None:
                total = total * on
            return total, total * log_total, log_total, log_age

        node = length[:, None] * self.share
        shape_a, shape_b = np.exp(a_law[0]), np.exp(b_law[0])
        a0, a1 = curve(a_law, a_begin, run), curve(a_law, a_end, run)
        am = curve(a_law, a_begin[:, None] + node, run[:, None])
        b0, b1 = curve(b_law, begin, same), curve(b_law, end, same)
        bm = curve(b_law, begin[:, None] + node, same_m)
        over = a1[0] - a0[0]
        # stretches spent good
        good = -over - (b1[0] - b0[0])
        good_d = np.zeros((p, life.size))
        good_d[0], good_d[1] = -(a1[1] - a0[1]), shape_a * over
        good_d[2], good_d[3] = -(b1[1] - b0[1]), shape_b * (b1[0] - b0[0])
        # stretches spent bad
        bad = -kappa * over + self.log_test[where]
        bad_d = np.zeros((p, life.size))
        bad_d[0], bad_d[1], bad_d[4] = kappa * good_d[0], kappa * good_d[1], -kappa * over
        # stretches in which B turns bad
        before = am[0] - a0[0][:, None]
        later = over[:, None] - before
        gone = bm[0] - b0[0][:, None]
        term = self.log_weight + (np.log(length) + b_law[0] + lift_b)[:, None] + bm[2]
        for lost in (bm[3], gone, before, kappa * later):
            term -= lost
        if self.with_visible:
            v_law = theta[5:7]
            v0, v1 = curve(v_law, begin, same), curve(v_law, end, same)
            vm = curve(v_law, begin[:, None] + node, same_m)
            k = np.exp(v_law[0])
            good -= v1[0] - v0[0]
            good_d[5], good_d[6] = -(v1[1] - v0[1]), k * (v1[0] - v0[0])
            worn = vm[0] - v0[0][:, None]
            term -= worn
            seen = rows.visible[where]
            good += np.where(seen, v_law[0] + v1[2] - v1[3] + lift_b, 0.0)
            good_d[5] += np.where(seen, 1 + v1[2], 0.0)
            good_d[6] -= np.where(seen, k, 0.0)
        top = term.max(axis=1)
        share = np.exp(term - top[:, None])
        total = share.sum(axis=1)
        share /= total[:, None]
        turn = top + np.log(total) + self.log_test[where]

        def mean(values: np.ndarray) -> np.ndarray:
            """Over the nodes, by how likely B turns bad there."""
            return np.einsum("ij,ij->i", share, values)

        turn_d = np.zeros((p, life.size))
        passed, to_come = mean(am[1]) - a0[1], mean(later)
        turn_d[0] = -(passed + kappa * (a1[1] - a0[1] - passed))
        turn_d[1] = shape_a * (mean(before) + kappa * to_come)
        turn_d[2] = 1 + mean(bm[2]) - (mean(bm[1]) - b0[1])
        turn_d[3] = shape_b * (mean(gone) - 1)
        turn_d[4] = -kappa * to_come
        if self.with_visible:
            turn_d[5] = -(mean(vm[1]) - v0[1])
            turn_d[6] = k * mean(worn)
        # A fails at a stretch's end, in either state
        fails = np.where(failed, a_law[0] + a1[2] - a1[3] + lift_a, 0.0)
        good, bad, turn = good + fails, bad + fails, turn + fails
        bad, turn = bad + failed * theta[4], turn + failed * theta[4]
        for found in (good_d, bad_d, turn_d):
            found[0] += np.where(failed, 1 + a1[2], 0.0)
            found[1] -= np.where(failed, shape_a, 0.0)
        bad_d[4] += failed
        turn_d[4] += failed
        heights, pieces, chance = self._assembled(
            where, life, good, bad, turn, good_d, bad_d, turn_d
        )
        if rows.covariates is not None:
            pieces = self._with_ratios(theta, pieces, rows.covariates[where])
        return heights, pieces, chance

    def _with_ratios(self, theta: np.ndarray, pieces: np.ndarray, x: np.ndarray) -> np.ndarray:
        """Slopes of the log ratios after those of the laws: a log hazard falls by the shape where
        the log scale rises by 1."""
        by_a = -pieces[1] / np.exp(theta[0])
        by_b = -pieces[3] / np.exp(theta[2])
        if self.with_visible:
            by_b = by_b - pieces[6] / np.exp(theta[5])
        return np.concatenate([pieces, x.T * by_a, x.T * by_b])

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
        pieces = good_d * (stay[life] + turned_after) + turn_d * share + bad_d * turned_before
        return top + np.log(total), pieces, turned_before + share


def _sum_before(values: np.ndarray, first: np.ndarray, life: np.ndarray) -> np.ndarray:
    """Within each life, the sum over the stretches before each one."""
    running = np.cumsum(values) - values
    return running - running[first][life]


def by_code(code: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Rows of values, shape (n, p), added up by code: shape (codes, p)."""
    size = int(code.max(initial=-1)) + 1
    return np.stack([np.bincount(code, weights=one, minlength=size) for one in values.T], axis=1)
