"""The hazard model from counts against the same model written out row by row."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import sparse
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import check_grad

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError, InputError
from failstats.estimate import hazard_sums
from failstats.estimate.hazard_model import (
    Design,
    baseline_hazard,
    cluster_robust,
    cox,
    martingale_residuals,
    proportional_hazards_test,
    score_residuals,
)

# Two ways to sum the same few hundred terms: what is left is rounding.
ROUNDING = 1e-9
# lifelines stops Cox early (its step rule), about 3e-6 from the maximum.
LIFELINES = 1e-4


def episodes(seed=0, units=60, strata=2, effect=0.8):
    """Split, left-truncated lives with heavy ties, day-0 failures and strata."""
    rng = np.random.default_rng(seed)
    rows = []
    for unit in range(units):
        stratum = int(rng.integers(0, strata))
        frailty = rng.gamma(2.0, 0.5)
        for _ in range(int(rng.integers(1, 4))):
            start = int(rng.integers(0, 6)) * int(rng.integers(0, 2))
            first = int(rng.integers(0, 3))
            rate = 0.12 * frailty * np.exp(effect * (first == 2))
            stop = start + int(rng.geometric(min(rate, 0.9))) - int(rng.random() < 0.1)
            stop = min(stop, 14)
            failed = int(stop < 14)
            cut = int(rng.integers(start + 1, stop)) if stop - start > 3 else None
            if cut is None:
                rows.append((unit, stratum, first, start, max(stop, start), failed))
            else:
                rows.append((unit, stratum, first, start, cut, 0))
                rows.append((unit, stratum, (first + 1) % 3, cut, stop, failed))
    frame = pd.DataFrame(rows, columns=["cluster", "stratum", "pattern", "start", "stop", "failed"])
    return frame[(frame.start < frame.stop) | (frame.stop == 0)].reset_index(drop=True)


DESIGN = Design(values=[[0.0, 3.0], [1.0, 5.0], [0.0, 9.0]], names=["band", "loads"])


def arrays(frame):
    return {
        name: frame[name].to_numpy() for name in ("stratum", "pattern", "start", "stop", "failed")
    }


def counted(frame):
    return PatternTable.from_episodes(**arrays(frame))


def by_rows(frame, beta, ties, design=DESIGN, offset=None):
    """Log-likelihood, gradient, information, score and martingale residuals, one event at a time.

    Written from the definitions, on expanded rows, sharing nothing with the package.
    """
    x = np.asarray(design.values)[frame.pattern]
    shift = np.zeros(len(frame)) if offset is None else np.asarray(offset)[frame.pattern]
    start = frame.start.where(frame.start > 0, -1).to_numpy()  # born before day 0
    stop, failed = frame.stop.to_numpy(), frame.failed.to_numpy()
    group = frame.stratum.to_numpy()
    hazard = np.exp(x @ beta + shift)
    k = x.shape[1]
    total, gradient, information = 0.0, np.zeros(k), np.zeros((k, k))
    score, martingale = np.zeros_like(x), failed.astype(float).copy()
    for stratum in np.unique(group):
        for age in np.unique(stop[(failed == 1) & (group == stratum)]):
            at_risk = (group == stratum) & (start < age) & (age <= stop)
            dead = at_risk & (stop == age) & (failed == 1)
            d = int(dead.sum())
            for step in range(d):
                share = step / d if ties == "efron" else 0.0
                weight = hazard * (at_risk - share * dead)
                phi = weight.sum()
                mean = weight @ x / phi
                second = (weight[:, None] * x).T @ x / phi
                total -= np.log(phi)
                gradient -= mean
                information += second - np.outer(mean, mean)
                martingale -= weight / phi
                score -= (weight / phi)[:, None] * (x - mean)
                score[dead] += (x[dead] - mean) / d
            total += np.log(hazard[dead]).sum()
            gradient += x[dead].sum(axis=0)
    return total, gradient, information, score, martingale


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_counts_equal_rows(ties, seed):
    frame = episodes(seed)
    offset = np.array([0.2, 0.0, -0.3])
    fit = cox(counted(frame), design=DESIGN, ties=ties, offset=offset)
    total, gradient, information, score, martingale = by_rows(
        frame, fit.coefficients, ties, offset=offset
    )
    assert np.abs(gradient).max() < 1e-7  # loads are unscaled; 1e-9 of one standard error
    assert fit.log_likelihood == pytest.approx(total, rel=ROUNDING)
    assert fit.covariance == pytest.approx(np.linalg.inv(information), rel=1e-8)
    assert score_residuals(fit, **arrays(frame)) == pytest.approx(score, abs=1e-8)
    assert martingale_residuals(fit, **arrays(frame)) == pytest.approx(martingale, abs=1e-9)
    zero = by_rows(frame, np.zeros(2), ties, offset=offset)
    assert fit.log_likelihood_null == pytest.approx(zero[0], rel=ROUNDING)
    want = zero[1] @ np.linalg.solve(zero[2], zero[1])
    assert fit.score_test == pytest.approx(want, rel=1e-8)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_cluster_robust_equals_slow_sandwich(ties):
    frame = episodes(4)
    fit = cox(counted(frame), design=DESIGN, ties=ties)
    robust = cluster_robust(fit, cluster=frame.cluster, **arrays(frame))
    _, _, information, score, _ = by_rows(frame, fit.coefficients, ties)
    meat = np.zeros((2, 2))
    for unit in frame.cluster.unique():
        summed = score[(frame.cluster == unit).to_numpy()].sum(axis=0)
        meat += np.outer(summed, summed)
    bread = np.linalg.inv(information)
    assert robust.covariance == pytest.approx(bread @ meat @ bread, rel=1e-7)
    assert robust.clusters == frame.cluster.nunique()
    # Summed before squaring: by row it would be another number.
    rowwise = cluster_robust(fit, cluster=np.arange(len(frame)), **arrays(frame))
    assert not np.allclose(rowwise.covariance, robust.covariance, rtol=1e-3)


def test_cluster_labels_of_any_kind_and_row_order():
    frame = episodes(5)
    fit = cox(counted(frame), design=DESIGN)
    plain = cluster_robust(fit, cluster=frame.cluster, **arrays(frame))
    named = cluster_robust(fit, cluster=frame.cluster.map("u{:03d}".format), **arrays(frame))
    far = cluster_robust(fit, cluster=frame.cluster * 10**12, **arrays(frame))
    mixed = frame.sample(frac=1, random_state=1)
    shuffled = cluster_robust(fit, cluster=mixed.cluster, **arrays(mixed))
    for other in (named, far, shuffled):
        assert other.covariance == pytest.approx(plain.covariance, rel=1e-12)
    assert plain.influence.T @ plain.influence == pytest.approx(plain.covariance, rel=1e-12)


def test_blocks_of_rows_and_binary_search_give_the_same(monkeypatch):
    from failstats.estimate import hazard_robust

    frame = episodes(6)
    fit = cox(counted(frame), design=DESIGN)
    plain = cluster_robust(fit, cluster=frame.cluster, **arrays(frame))
    monkeypatch.setattr(hazard_robust, "ROWS_AT_ONCE", 7)
    monkeypatch.setattr(hazard_robust, "DENSE_LOOKUP", 0)
    again = cluster_robust(fit, cluster=frame.cluster, **arrays(frame))
    assert again.covariance == pytest.approx(plain.covariance, rel=1e-12)


@pytest.mark.parametrize("rare", [0, 10**9], ids=["failures by place", "failures in full"])
@pytest.mark.parametrize("setting", ["dense", "dense whole numbers", "mixed"])
def test_layouts_of_the_risk_sets_agree(monkeypatch, setting, rare):
    frame = episodes(7, strata=4)
    if setting == "mixed":  # one large stratum beside three small ones
        frame.loc[frame.index % 2 == 0, "stratum"] = 0
    plain = cox(counted(frame), design=DESIGN)
    sizes = {"dense": 0, "dense whole numbers": 0, "mixed": 25}
    monkeypatch.setattr(hazard_sums, "SMALL_STRATUM", sizes[setting])
    monkeypatch.setattr(hazard_sums, "RARE", rare)
    if setting == "dense whole numbers":
        monkeypatch.setattr(hazard_sums, "FLOAT_CELLS", 0)
        monkeypatch.setattr(hazard_sums, "CHUNK_CELLS", 5)
    risk = hazard_sums.risk_sets(counted(frame), pattern_count=3)
    assert bool(risk.blocks) and (setting != "mixed" or risk.loose.nnz > 0)
    assert all(sparse.issparse(block.failed) == (rare == 0) for block in risk.blocks)
    if setting == "dense whole numbers":
        assert {block.at_risk.dtype for block in risk.blocks} == {np.dtype(np.int16)}
    again = cox(counted(frame), design=DESIGN)
    assert again.coefficients == pytest.approx(plain.coefficients, rel=ROUNDING)
    assert again.covariance == pytest.approx(plain.covariance, rel=ROUNDING)


def test_gradient_is_the_slope_of_the_log_likelihood():
    frame = episodes(8)
    table = counted(frame)

    def at(beta):
        return cox(table, design=DESIGN, coefficients=beta)

    beta = np.array([0.3, -0.1])
    difference = check_grad(
        lambda b: at(b).log_likelihood, lambda b: np.asarray(at(b).gradient), beta
    )
    assert difference < 1e-4  # forward difference of a log-likelihood near -300


def test_splitting_lives_changes_nothing():
    whole = episodes(22)
    long = whole[whole.stop > 3]
    cut = pd.concat(
        [
            whole[whole.stop <= 3],
            long[long.start < 3].assign(stop=3, failed=0),
            long.assign(start=long.start.clip(lower=3)),
        ]
    )
    assert len(cut) > len(whole)
    first, second = (cox(counted(rows), design=DESIGN) for rows in (whole, cut))
    assert second.coefficients == pytest.approx(first.coefficients, rel=1e-10)
    assert second.covariance == pytest.approx(first.covariance, rel=1e-10)


def test_unit_of_covariate_only_rescales():
    table = counted(episodes(9))
    plain = cox(table, design=DESIGN)
    scaled = cox(
        table, design=Design(values=DESIGN.values * [1, 1e6] + [5, 1e8], names=DESIGN.names)
    )
    assert scaled.coefficients * [1, 1e6] == pytest.approx(plain.coefficients, rel=1e-7)
    assert scaled.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-10)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_gradient_vanishes_at_every_fit(seed):
    frame = episodes(seed, units=25)
    fit = cox(counted(frame), design=DESIGN)
    for ok, slope, variance in zip(
        fit.estimable, fit.gradient, np.diag(fit.covariance), strict=True
    ):
        assert not ok or abs(slope) * np.sqrt(variance) < 1e-8


def test_loose_cross_check_with_lifelines():
    from lifelines import CoxTimeVaryingFitter

    frame = episodes(10).query("stop > 0")
    rows = frame.assign(
        band=DESIGN.values[frame.pattern, 0], loads=DESIGN.values[frame.pattern, 1]
    ).reset_index(drop=True)
    rows["id"] = np.arange(len(rows))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = CoxTimeVaryingFitter().fit(
            rows.drop(columns=["pattern", "cluster"]),
            id_col="id",
            event_col="failed",
            start_col="start",
            stop_col="stop",
            strata="stratum",
        )
    fit = cox(counted(frame), design=DESIGN)
    assert fit.coefficients == pytest.approx(other.params_.to_numpy(), rel=LIFELINES)
    assert fit.standard_errors == pytest.approx(other.standard_errors_.to_numpy(), rel=LIFELINES)


class TestNotEstimable:
    def test_no_failures_on_one_side(self):
        table = PatternTable.from_episodes(
            [0] * 6, [2, 3, 4, 5, 6, 7], [1, 1, 1, 0, 0, 0], [0, 0, 0, 1, 1, 1]
        )
        for ties in ("efron", "breslow"):
            fit = cox(table, design=[[0.0], [1.0]], ties=ties)
            assert not fit.estimable[0]
            assert np.isnan(fit.coefficients[0]) and np.isnan(fit.covariance[0, 0])
            assert "goes to zero" in fit.reasons[0]
            assert "not estimable" in str(fit)

    def test_the_others_are_the_limit(self):
        frame = episodes(11)
        extra = frame.head(12).assign(pattern=3, failed=0)
        table = counted(pd.concat([frame, extra]))
        values = np.column_stack([[0, 1, 0, 0], [3, 5, 9, 3], [0, 0, 0, 1]]).astype(float)
        fit = cox(table, design=Design(values=values, names=["band", "loads", "never"]))
        assert fit.estimable.tolist() == [True, True, False]
        # In the limit parts that never fail are no comparison at all: leave them out.
        limit = cox(counted(frame), design=DESIGN)
        assert fit.coefficients[:2] == pytest.approx(limit.coefficients, rel=1e-5)
        assert fit.standard_errors[:2] == pytest.approx(limit.standard_errors, rel=1e-5)

    def test_an_empty_reference_level_takes_all_levels_with_it(self):
        rows = episodes(12)
        rows.loc[rows.pattern == 0, "failed"] = 0
        values = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        fit = cox(counted(rows), design=values)
        assert not fit.estimable.any()
        assert all("infinity" in reason for reason in fit.reasons)

    def test_no_contrast_and_sums_of_columns(self):
        values = np.column_stack([DESIGN.values, DESIGN.values.sum(axis=1), [1.0, 1.0, 1.0]])
        fit = cox(counted(episodes(13)), design=Design(values=values, names=list("abcd")))
        assert fit.estimable.tolist() == [True, True, False, False]
        assert "no contrast" in fit.reasons[2] and "no contrast" in fit.reasons[3]
        plain = cox(counted(episodes(13)), design=DESIGN)
        assert fit.coefficients[:2] == pytest.approx(plain.coefficients, rel=1e-10)
        robust = cluster_robust(fit, cluster=episodes(13).cluster, **arrays(episodes(13)))
        assert np.isnan(robust.covariance[2, 2]) and np.isfinite(robust.covariance[0, 0])

    @pytest.mark.parametrize("ties", ["efron", "breslow"])
    def test_small_companies_against_linear_programming(self, ties):
        """The maximum is finite in a coefficient unless the likelihood never falls along some
        direction that moves it: for every failure x_i and part at risk x_j, (x_j - x_i) d <= 0.
        Such a direction is searched by linear programming, independently of any fit."""
        from scipy.optimize import linprog

        values = np.array([[0, 0], [1, 0], [0, 1], [1, 2.0], [2, 1]])
        seen = set()
        for seed in range(60):
            rng = np.random.default_rng(seed)
            n = int(rng.integers(5, 30))
            start = rng.integers(0, 4, n)
            rows = pd.DataFrame(
                {
                    "start": start,
                    "stop": start + rng.integers(1, 8, n),
                    "failed": rng.integers(0, 2, n),
                    "pattern": rng.integers(0, 5, n),
                    "stratum": rng.integers(0, 2, n),
                }
            )
            rows.loc[0, "failed"] = 1
            x = values[rows.pattern]
            entry = rows.start.where(rows.start > 0, -1)
            gaps = [
                x[j] - x[i]
                for i in np.flatnonzero(rows.failed)
                for j in range(n)
                if rows.stratum[i] == rows.stratum[j] and entry[j] < rows.stop[i] <= rows.stop[j]
            ]
            gaps = np.unique(gaps, axis=0)
            if np.linalg.matrix_rank(gaps) < 2:
                continue  # a column without contrast is another matter
            moved = []
            for k, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
                goal = np.zeros(2)
                goal[k] = -sign
                moved.append(
                    -linprog(goal, A_ub=gaps, b_ub=np.zeros(len(gaps)), bounds=[(-1, 1)] * 2).fun
                )
            infinite = np.array([max(moved[:2]) > 1e-9, max(moved[2:]) > 1e-9])
            fit = cox(counted(rows), design=values, ties=ties)
            assert not (infinite & fit.estimable).any(), seed
            if not infinite.any():
                assert fit.estimable.all(), seed
            assert not (fit.standard_errors[fit.estimable] > 20).any(), seed
            seen.add(tuple(infinite.tolist()))
        assert len(seen) >= 3  # finite, one infinite, both

    def test_a_strong_but_finite_effect_is_kept(self):
        rng = np.random.default_rng(0)
        high = rng.integers(0, 2, 4000)
        age = np.ceil(rng.exponential(np.where(high, 3.0, 600.0))).astype(int)
        stop = np.minimum(age, 200)
        table = PatternTable.from_episodes(np.zeros(4000), stop, age <= 200, high)
        fit = cox(table, design=[[0.0], [1.0]])
        assert fit.estimable[0]
        assert 4 < fit.coefficients[0] < 6  # true log ratio about 5.3, shrunk by whole days


def test_no_failure_and_bad_words_are_refused():
    none = PatternTable.from_episodes([0], [5], [0], [0])
    with pytest.raises(FitError, match="at least one failure"):
        cox(none, design=[[1.0]])
    table = counted(episodes(14))
    with pytest.raises(InputError, match="ties must be one of"):
        cox(table, design=DESIGN, ties="exact")
    with pytest.raises(InputError, match="design must have a row for every pattern"):
        cox(table, design=[[0.0], [1.0]])
    with pytest.raises(InputError, match="must be finite"):
        cox(table, design=[[0.0], [np.nan], [1.0]])
    with pytest.raises(InputError, match="offset must have shape"):
        cox(table, design=DESIGN, offset=[0.0])
    fit = cox(table, design=DESIGN)
    with pytest.raises(InputError, match="confidence_level"):
        fit.interval(95)
    other = episodes(15)
    with pytest.raises(InputError, match="the rows must be the ones fitted"):
        cluster_robust(fit, cluster=other.cluster, **arrays(other))


def test_one_row():
    table = PatternTable.from_episodes([0], [5], [1], [0])
    fit = cox(table, design=[[1.0]])
    assert not fit.estimable[0] and fit.log_likelihood == 0.0


def test_rows_without_time_at_risk_contribute_nothing():
    frame = episodes(16)
    fit = cox(counted(frame), design=DESIGN)
    extra = pd.DataFrame(
        {"cluster": 999, "stratum": 0, "pattern": 1, "start": [4], "stop": [4], "failed": [1]}
    )
    longer = pd.concat([frame, extra], ignore_index=True)
    score = score_residuals(fit, **arrays(longer))
    assert score[-1].tolist() == [0.0, 0.0]
    assert score[:-1] == pytest.approx(score_residuals(fit, **arrays(frame)), abs=0)


def test_baseline_is_the_failures_over_the_summed_relative_hazard():
    frame = episodes(17)
    fit = cox(counted(frame), design=DESIGN, ties="breslow")
    base = baseline_hazard(fit, counted(frame)).table()
    hazard = np.exp(DESIGN.values[frame.pattern] @ fit.coefficients)
    start = frame.start.where(frame.start > 0, -1)
    for row in base.itertuples():
        here = (frame.stratum == row.stratum) & (start < row.age) & (frame.stop >= row.age)
        dead = (frame.stratum == row.stratum) & (frame.stop == row.age) & (frame.failed == 1)
        assert row.hazard == pytest.approx(dead.sum() / hazard[here].sum(), rel=1e-9)
    at = baseline_hazard(fit, covariates=[1.0, 5.0])
    ratio = np.exp(fit.coefficients @ [1.0, 5.0])
    assert at.cumulative == pytest.approx(base.cumulative.to_numpy() * ratio, rel=1e-9)


def test_variance_of_baseline_by_doubling_the_data():
    """Twice the same lives: half the variance (Breslow)."""
    frame = episodes(18)
    once, twice = (
        baseline_hazard(cox(counted(rows), design=DESIGN, ties="breslow"))
        for rows in (frame, pd.concat([frame, frame]))
    )
    assert twice.variance == pytest.approx(once.variance / 2, rel=1e-8)


def test_proportional_test_is_the_score_test_of_an_added_column():
    """Score test for band x age, written out row by row on lives cut at every age."""
    frame = episodes(19).query("stop > 0")
    table = counted(frame)
    fit = cox(table, design=DESIGN)
    ages = np.unique(frame.stop[frame.failed == 1])
    pieces = []
    for low, high in zip([0, *ages[:-1]], ages, strict=True):
        part = frame[(frame.start < high) & (frame.stop > low)].copy()
        part["start"] = part.start.clip(lower=low)
        part["failed"] = part.failed * (part.stop <= high)
        part["stop"] = part.stop.clip(upper=high)
        part["age"] = high
        pieces.append(part)
    cut = pd.concat(pieces, ignore_index=True)
    x = DESIGN.values[cut.pattern]
    for column in (0, 1):
        wide = np.column_stack([x, x[:, column] * cut.age])
        values, codes = np.unique(wide, axis=0, return_inverse=True)
        rows = cut.assign(pattern=codes.reshape(-1))
        design = Design(values=values, names=list("abc"))
        beta = np.append(fit.coefficients, 0.0)
        _, gradient, information, _, _ = by_rows(rows, beta, "efron", design=design)
        want = gradient @ np.linalg.solve(information, gradient)
        got = proportional_hazards_test(fit, table, transform="identity")
        assert got.statistic[column] == pytest.approx(want, rel=1e-7)


def test_proportional_test_shift_of_clock_and_bad_words():
    frame = episodes(20).query("stop > 0")
    table = counted(frame)
    fit = cox(table, design=DESIGN)
    plain = proportional_hazards_test(fit, table, transform="identity")
    moved = proportional_hazards_test(fit, table, transform=lambda age: 3 * age + 1000)
    assert moved.statistic == pytest.approx(plain.statistic, rel=1e-7)
    assert moved.global_statistic == pytest.approx(plain.global_statistic, rel=1e-7)
    with pytest.raises(InputError, match="transform must be one of"):
        proportional_hazards_test(fit, table, transform="spline")
    day_zero = pd.concat([frame, frame.head(3).assign(start=0, stop=0, failed=1)])
    with pytest.raises(InputError, match="day 0"):
        late = cox(counted(day_zero), design=DESIGN)
        proportional_hazards_test(late, counted(day_zero), transform="log")


def test_contrast_and_table():
    fit = cox(counted(episodes(21)), design=DESIGN)
    estimate, error = fit.contrast([1.0, -2.0])
    assert estimate == pytest.approx(fit.coefficients @ [1.0, -2.0])
    assert error == pytest.approx(np.sqrt([1, -2] @ fit.covariance @ [1, -2]))
    table = fit.table()
    assert table.name.tolist() == ["band", "loads"]
    assert table.hazard_ratio.to_numpy() == pytest.approx(np.exp(fit.coefficients))
    wide, narrow = fit.hazard_ratio(0.99), fit.hazard_ratio(0.5)
    assert (wide.low < narrow.low).all() and (wide.high > narrow.high).all()
