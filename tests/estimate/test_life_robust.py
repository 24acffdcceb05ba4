"""Several lives of one unit; age bands; probability plots; families that share; stress."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.life_checks import observed_expected, probability_plot
from failstats.estimate.life_models import ShapePenalty, exact_poisson_bound, fit
from failstats.estimate.life_regression import fit_life_regression
from failstats.estimate.life_robust import life_scores, sandwich
from failstats.estimate.life_sharing import between_variance, shrink_families

ROUNDING = 1e-9


def company(seed: int, units: int = 120, frail: float = 0.0):
    """Up to four lives a unit, in whole days; frail spreads the units' scales."""
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(units), rng.integers(1, 5, units))
    scale = 300 * np.exp(frail * rng.standard_normal(units))[unit]
    life = np.maximum(np.ceil(scale * rng.weibull(1.5, unit.size)), 1).astype(int)
    entry = np.where(rng.random(unit.size) < 0.7, 0, rng.integers(1, 200, unit.size))
    leave = entry + rng.integers(1, 500, unit.size)
    seen = life > entry
    unit, life, entry, leave = unit[seen], life[seen], entry[seen], leave[seen]
    return unit, entry, np.minimum(life, leave), life <= leave


@pytest.mark.parametrize("model", ["exponential", "weibull", "lognormal", "gamma", "gompertz"])
def test_sandwich_against_a_loop(model):
    unit, entry, exit_, failed = company(1)
    found = fit(RiskTable.from_lives(entry, exit_, failed), model=model)
    family, p = found.family, found.theta.size

    def pull(e, x, d):
        one = np.array([float(x)])
        score = -family.cumulative(found.theta, one).first[:, 0]
        if d:
            score = score + family.log_hazard(found.theta, one).first[:, 0]
        if e > 0:
            score = score + family.cumulative(found.theta, np.array([float(e)])).first[:, 0]
        return score

    meat, total = np.zeros((p, p)), np.zeros(p)
    for name in np.unique(unit):
        score = np.zeros(p)
        for row in np.flatnonzero(unit == name):
            score += pull(entry[row], exit_[row], failed[row])
        meat += np.outer(score, score)
        total += score
    slow = found.covariance @ meat @ found.covariance
    fast = sandwich(found, entry=entry, exit=exit_, failed=failed, cluster=unit)
    assert fast == pytest.approx(slow, rel=1e-7)
    assert np.abs(found.covariance @ total).max() < 1e-7  # scores add up to 0 at the top
    words = np.array([f"unit {name}" for name in unit])
    named = sandwich(found, entry=entry, exit=exit_ * 1.0, failed=failed, cluster=words)
    assert named == pytest.approx(fast, rel=ROUNDING)


def test_alike_units_widen_the_interval_and_the_label_says_so():
    unit, entry, exit_, failed = company(2, units=300, frail=0.8)
    found = fit(RiskTable.from_lives(entry, exit_, failed))
    robust = found.clustered(sandwich(found, entry=entry, exit=exit_, failed=failed, cluster=unit))
    assert robust.std_errors["scale"] > 1.15 * found.std_errors["scale"]
    pair = robust.interval()["scale"]
    assert pair.method == "normal, clustered by unit, log scale"
    assert robust.quantile_interval(0.1).method == "normal, clustered by unit, log scale"
    with pytest.raises(InputError, match="a profile interval treats lives as unrelated"):
        robust.interval(method="profile")


def test_day_zero_and_no_length_lives_in_the_scores():
    entry, exit_ = np.array([0, 0, 0, 4, 0, 0, 0, 0]), np.array([0, 0, 5, 4, 9, 12, 20, 30])
    failed = np.array([1, 0, 1, 1, 1, 1, 1, 0], dtype=bool)
    found = fit(RiskTable.from_lives(entry, exit_, failed))
    scores = life_scores(found, entry=entry, exit=exit_, failed=failed)
    scores[3] = 0  # dropped from the counts
    assert np.abs(scores.sum(axis=0)).max() < 1e-8
    assert (scores[1] == 0).all()
    matrix = sandwich(found, entry=entry, exit=exit_, failed=failed, cluster=np.arange(8))
    assert matrix == pytest.approx(found.covariance @ scores.T @ scores @ found.covariance)


def test_age_bands_against_rows():
    _, entry, exit_, failed = company(3)
    table = RiskTable.from_lives(entry, exit_, failed)
    found = fit(table)
    bands = np.array([0, 33.5, 90, 180, 1000])
    result = observed_expected(found, table=table, bands=bands)
    for k in range(4):
        low, high = bands[k], bands[k + 1]
        assert result.observed[k] == (failed & (exit_ > low) & (exit_ <= high)).sum()
        a, b = np.clip(entry, low, high), np.clip(exit_, low, high)
        due = (found.cumulative_hazard(b) - found.cumulative_hazard(a)).sum()
        assert result.expected[k] == pytest.approx(due, rel=ROUNDING)
        assert result.exposure[k] == pytest.approx((b - a).sum(), rel=ROUNDING)
    low, high = result.interval()
    assert ((low < result.ratio) & (result.ratio < high)).all()
    assert result.table().shape == (4, 8)


def test_an_exponential_expects_what_was_seen():
    exit_, failed = [0, 0, 3, 8, 20, 40, 60], [1, 1, 1, 1, 1, 1, 0]
    table = RiskTable.from_lives(0, exit_, np.array(failed, dtype=bool))
    found = fit(table, model="exponential")
    result = observed_expected(found, table=table, bands=[0, 5, 100])
    assert result.observed.tolist() == [3, 3]
    assert result.expected.sum() == pytest.approx(6, rel=ROUNDING)


def test_bands_must_ascend():
    table = RiskTable.from_lives(0, np.arange(1, 9), np.ones(8, dtype=bool))
    with pytest.raises(InputError, match="bands must hold two or more ages, ascending"):
        observed_expected(fit(table), table=table, bands=[5, 2])


@pytest.mark.parametrize(
    ("model", "theirs", "across"),
    [
        ("weibull", stats.weibull_min(1.8, scale=3000), np.log),
        ("exponential", stats.expon(scale=3000), lambda t: t),
        ("lognormal", stats.lognorm(0.7, scale=3000), np.log),
        ("loglogistic", stats.fisk(2.2, scale=3000), np.log),
    ],
)
def test_points_lie_on_a_line(model, theirs, across):
    # The exact quantiles in place of a sample: the middle of each step is a quantile.
    share = (np.arange(400) + 0.5) / 400
    table = RiskTable.from_lives(0, theirs.ppf(share), np.ones(400, dtype=bool))
    points = probability_plot(table, model=model)
    assert points.failed_share == pytest.approx(share, rel=ROUNDING)
    assert points.across == pytest.approx(across(points.age), rel=ROUNDING)
    line = stats.linregress(points.across, points.up)
    assert line.rvalue**2 == pytest.approx(1, abs=1e-12)


def test_plots_that_would_mislead_are_refused():
    table = RiskTable.from_lives([3, 3, 4], [5, 6, 7], [True, True, False])
    with pytest.raises(InputError, match="followed from birth"):
        probability_plot(table)
    with pytest.raises(InputError, match="use observed_expected"):
        probability_plot(table, model="gompertz")


def families(seed, shapes, n=250):
    rng = np.random.default_rng(seed)
    out = {}
    for k, shape in enumerate(shapes):
        life, leave = np.ceil(900 * rng.weibull(shape, n)), rng.integers(100, 1500, n)
        out[f"F{k}"] = RiskTable.from_lives(0, np.minimum(life, leave), life <= leave)
    return out


def test_between_variance_maximises_the_restricted_likelihood():
    rng = np.random.default_rng(4)
    v = rng.uniform(0.01, 0.2, 9)
    y = rng.normal(0, np.sqrt(v + 0.15))
    found = between_variance(y, variances=v)

    def restricted(tau2):
        w = 1 / (v + tau2)
        mean = (w @ y) / w.sum()
        return -0.5 * (np.log(1 / w).sum() + np.log(w.sum()) + w @ (y - mean) ** 2)

    around = [restricted(found * f) for f in (0.99, 1.0, 1.01)]
    assert found > 0
    assert max(around) == around[1]
    assert between_variance(np.full(5, 0.3), variances=v[:5]) == 0


def test_sharing_moves_thin_records_more():
    tables = families(1, [1.2, 1.5, 1.8, 2.1, 1.4])
    fits = {name: fit(table) for name, table in tables.items()}
    thin = RiskTable.from_lives(0, [90, 200, 300, 400, 500, 600, 800], [True] * 7)
    fits["thin"] = fit(thin)
    fits["none"] = exact_poisson_bound(thin)
    shared = shrink_families(fits)
    k, none = shared.names.index("thin"), shared.names.index("none")
    assert shared.own_weight[k, 0] < shared.own_weight[:5, 0].min()
    own = fits["thin"].theta[0]
    low, high = sorted([own, shared.centre[0]])
    assert low <= shared.theta[k, 0] <= high
    assert shared.std_error[k, 0] < np.sqrt(fits["thin"].covariance[0, 0])
    assert shared.theta[none] == pytest.approx(shared.centre)
    # a family of which nothing is known lies as far off as families may, and more than the most
    # likely spread says
    assert shared.std_error[none] == pytest.approx(shared.next_error)
    assert (shared.next_error > np.sqrt(shared.between + shared.centre_error**2)).all()
    penalty = shared.shape_penalty()
    assert penalty.centre == pytest.approx(shared.centre[0])
    assert penalty.variance == pytest.approx(shared.next_error[0] ** 2)
    low, high = shared.interval("thin")["shape"]
    assert low < shared.parameters("thin")["shape"] < high
    with pytest.raises(InputError, match="penalised fits already lean"):
        shrink_families(fits | {"more": fit(thin, penalty=penalty)})


#: The spread is weighed at 400 places here, by adaptive quadrature there.
WEIGHED = 2e-3


def test_sharing_against_quadrature():
    # Two numbers per family are all it uses, y and v: the posterior of the spread between
    # families, every standard deviation alike beforehand, by an integral written out here.
    fits = {name: fit(table) for name, table in families(2, [1.0, 2.0, 3.0, 1.5]).items()}
    shared = shrink_families(fits)
    y = np.array([f.theta[0] for f in fits.values()])
    v = np.array([f.covariance[0, 0] for f in fits.values()])

    def under(tau):
        w = 1 / (tau**2 + v)
        centre = w @ y / w.sum()
        density = np.sqrt(np.prod(w) / w.sum()) * np.exp(-0.5 * w @ (y - centre) ** 2)
        return density, centre, 1 / w.sum()

    def mean(what):
        return quad(lambda t: under(t)[0] * what(t), 0, np.inf, limit=200)[0]

    total = mean(lambda t: 1.0)
    for k in range(4):

        def own(t, k=k):
            return t**2 / (t**2 + v[k])

        def value(t, k=k):
            return own(t) * y[k] + (1 - own(t)) * under(t)[1]

        def square(t, k=k):
            return value(t) ** 2 + own(t) * v[k] + (1 - own(t)) ** 2 * under(t)[2]

        theta = mean(value) / total
        assert shared.own_weight[k, 0] == pytest.approx(mean(own) / total, rel=WEIGHED)
        assert shared.theta[k, 0] == pytest.approx(theta, rel=WEIGHED)
        error = np.sqrt(mean(square) / total - theta**2)
        assert shared.std_error[k, 0] == pytest.approx(error, rel=WEIGHED)
    # the interval of a new family holds 95 % of what may come
    reach = stats.norm.ppf(0.975) * shared.next_error[0]

    def beyond(t):
        _, centre, spread = under(t)
        deviation = np.sqrt(t**2 + spread)
        middle = shared.centre[0]
        return stats.norm.cdf(middle - reach, centre, deviation) + stats.norm.sf(
            middle + reach, centre, deviation
        )

    assert mean(beyond) / total == pytest.approx(0.05, abs=0.003)


def test_few_families_leave_more_doubt_than_many():
    few = shrink_families({k: fit(t) for k, t in families(5, [1.4, 1.6, 1.8]).items()})
    many = shrink_families({k: fit(t) for k, t in families(5, [1.4, 1.6, 1.8] * 4).items()})
    assert few.next_error[0] > 1.5 * many.next_error[0]


def test_two_families_are_too_few_to_share():
    fits = {name: fit(table) for name, table in families(3, [1.0, 2.0]).items()}
    with pytest.raises(FitError, match="three fitted families or more"):
        shrink_families(fits)


def test_regression_finds_the_stress_and_late_entry():
    rng = np.random.default_rng(7)
    n = 4000
    heat = rng.uniform(0, 1, n)
    life = np.exp(6.5 - 0.9 * heat) * rng.weibull(1.6, n)
    entry = np.where(rng.random(n) < 0.5, 0, rng.uniform(0, 300, n))
    leave = entry + rng.uniform(1, 700, n)
    seen = life > entry
    heat, life, entry, leave = heat[seen], life[seen], entry[seen], leave[seen]
    found = fit_life_regression(
        np.minimum(life, leave), failed=life <= leave, covariates=heat, names=["heat"], entry=entry
    )
    limits = found.interval()
    assert limits["intercept"].low < 6.5 < limits["intercept"].high
    assert limits["heat"].low < -0.9 < limits["heat"].high
    assert limits["sigma"].low < 1 / 1.6 < limits["sigma"].high
    assert found.coefficients["heat"] < 0


def test_regression_refusals():
    with pytest.raises(InputError, match="model must be weibull, lognormal or loglogistic"):
        fit_life_regression([1.0], failed=[True], covariates=[1.0], names=["x"], model="gamma")
    with pytest.raises(FitError, match="1 covariates need 6 failures or more"):
        fit_life_regression([1.0, 2.0], failed=[True, True], covariates=[1.0, 2], names=["x"])
    with pytest.raises(FitError, match="every covariate must vary"):
        fit_life_regression(
            np.arange(1.0, 9), failed=[True] * 8, covariates=np.ones(8), names=["x"]
        )
    with pytest.raises(InputError, match="entry < exit"):
        fit_life_regression([0.0, 2.0], failed=[True, True], covariates=[1.0, 2], names=["x"])


def test_penalty_needs_a_shape():
    shared_like = ShapePenalty(centre=0.0, variance=1.0)
    table = RiskTable.from_lives(0, np.arange(1, 9), np.ones(8, dtype=bool))
    assert fit(table, model="exponential", penalty=shared_like).label == "few failures"
