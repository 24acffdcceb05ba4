"""Fitted lives: derivatives, truncation, independent fits, refusals, penalty and intervals."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import optimize, stats

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import (
    FittedLife,
    NoFit,
    ShapePenalty,
    aic_weights,
    exact_poisson_bound,
    fit,
    fit_all,
)

MODELS = list(FAMILIES)
#: Central differences of step 1e-5 are good to about this.
DIFFERENCES = 1e-6
#: The gamma family takes one derivative by differences itself.
GAMMA_DIFFERENCES = 1e-6
#: General optimisers stop when the likelihood is flat to about 1e-9: half the digits in theta.
OPTIMISER = 2e-5
#: Ours stops at the top; two ways of writing one fit differ by rounding only.
SAME = 1e-9


def company(seed: int, n: int = 3000, shape: float = 1.7, scale: float = 900.0):
    """Lives with late entry and departures, whole days."""
    rng = np.random.default_rng(seed)
    life = scale * rng.weibull(shape, n)
    entry = np.where(rng.random(n) < 0.4, 0, rng.integers(1, 700, n))
    leave = entry + rng.integers(1, 900, n)
    life = np.maximum(np.ceil(life), 1)
    seen = life > entry
    life, entry, leave = life[seen], entry[seen], leave[seen]
    return entry, np.minimum(life, leave).astype(int), life <= leave


@pytest.fixture(scope="module")
def late() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return company(1)


@pytest.fixture(scope="module")
def late_table(late) -> RiskTable:
    return RiskTable.from_lives(*late)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("part", ["cumulative", "log_hazard"])
@pytest.mark.parametrize("theta", [(0.3, 1.2), (-0.5, 0.2), (1.1, -0.4)])
def test_derivatives(model, part, theta):
    family = FAMILIES[model]
    theta = np.array(theta[: len(family.parameter_names)])
    ages = np.array([0.1, 1.0, 3.0, 9.0, 20.0])
    whole = getattr(family, part)(theta, ages)
    step = 1e-5
    for j in range(theta.size):
        ahead, behind = theta.copy(), theta.copy()
        ahead[j] += step
        behind[j] -= step
        up, down = getattr(family, part)(ahead, ages), getattr(family, part)(behind, ages)
        slope = (up.value - down.value) / (2 * step)
        assert whole.first[j] == pytest.approx(slope, rel=DIFFERENCES, abs=1e-8)
        bend = (up.first - down.first) / (2 * step)
        assert whole.second[j] == pytest.approx(bend, rel=GAMMA_DIFFERENCES, abs=2e-6)


SCIPY = {
    "exponential": lambda p: stats.expon(scale=1 / p["rate"]),
    "weibull": lambda p: stats.weibull_min(p["shape"], scale=p["scale"]),
    "lognormal": lambda p: stats.lognorm(p["sigma"], scale=np.exp(p["mu"])),
    "loglogistic": lambda p: stats.fisk(p["shape"], scale=p["scale"]),
    "gamma": lambda p: stats.gamma(p["shape"], scale=p["scale"]),
    "gompertz": lambda p: stats.gompertz(p["rate"] / p["slope"], scale=1 / p["slope"]),
}


@pytest.mark.parametrize("model", MODELS)
def test_the_distribution_is_the_one_named(late_table, model):
    found = fit(late_table, model=model)
    theirs = SCIPY[model](found.parameters)
    ages = np.array([1.0, 60.0, 400.0, 1200.0, 4000.0])
    assert found.survival(ages) == pytest.approx(theirs.sf(ages), rel=1e-9, abs=1e-300)
    assert found.hazard(ages) == pytest.approx(theirs.pdf(ages) / theirs.sf(ages), rel=1e-8)
    assert found.quantile([0.1, 0.5]) == pytest.approx(theirs.ppf([0.1, 0.5]), rel=1e-9)
    assert found.mean() == pytest.approx(theirs.mean(), rel=1e-7)
    assert found.survival(0) == 1
    assert found.survival(700, given_age=700) == pytest.approx(1)


@pytest.mark.parametrize("model", MODELS)
def test_likelihood_and_top_against_scipy(late, late_table, model):
    entry, exit_, failed = late
    found = fit(late_table, model=model)

    def minus(theta):
        family = FAMILIES[model]
        theirs = SCIPY[model](family.values(theta))
        value = theirs.logpdf(exit_[failed]).sum() + theirs.logsf(exit_[~failed]).sum()
        return -(value - theirs.logsf(entry[entry > 0]).sum())

    assert found.log_likelihood == pytest.approx(-minus(found.theta), rel=1e-10)
    start = found.theta + 0.05 * np.sqrt(np.diag(found.covariance))
    width = np.sqrt(np.diag(found.covariance))
    other = optimize.minimize(
        lambda u: minus(found.theta + u * width),
        (start - found.theta) / width,
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-11, "maxiter": 2000},
    )
    assert other.fun >= -found.log_likelihood - 1e-7
    assert np.abs(other.x).max() < 1e-2  # in standard errors


def test_truncated_weibull_against_lifelines(late, late_table):
    lifelines = pytest.importorskip("lifelines")
    entry, exit_, failed = late
    theirs = lifelines.WeibullFitter().fit(exit_, failed, entry=entry)
    ours = fit(late_table).parameters
    assert ours["shape"] == pytest.approx(theirs.rho_, rel=OPTIMISER)
    assert ours["scale"] == pytest.approx(theirs.lambda_, rel=OPTIMISER)
    assert fit(late_table).log_likelihood >= theirs.log_likelihood_ - 1e-9 * abs(
        theirs.log_likelihood_
    )


def test_truncated_weibull_against_a_direct_search(late, late_table):
    entry, exit_, failed = late

    def minus(theta):
        shape, scale = np.exp(theta)
        h = (np.log(shape) - np.log(scale) + (shape - 1) * np.log(exit_ / scale))[failed].sum()
        return -(h - ((exit_ / scale) ** shape).sum() + ((entry / scale) ** shape).sum())

    other = optimize.minimize(minus, [0.2, 6.5], method="BFGS", options={"gtol": 1e-6})
    ours = fit(late_table)
    assert ours.theta == pytest.approx(other.x, abs=OPTIMISER)
    assert ours.covariance == pytest.approx(np.linalg.inv(_hessian(minus, ours.theta)), rel=1e-4)


def _hessian(f, x, step=1e-4):
    n = x.size
    out = np.empty((n, n))
    eye = np.eye(n) * step
    for i in range(n):
        for j in range(n):
            out[i, j] = (
                f(x + eye[i] + eye[j])
                - f(x + eye[i] - eye[j])
                - f(x - eye[i] + eye[j])
                + f(x - eye[i] - eye[j])
            ) / (4 * step * step)
    return out


def test_ignoring_late_entry_would_mislead(late, late_table):
    _, exit_, failed = late
    blind = fit(RiskTable.from_lives(0, exit_, failed)).parameters["scale"]
    ours = fit(late_table)
    low, high = ours.interval()["scale"]
    assert low < 900 < high
    assert blind > high


@pytest.mark.parametrize("model", MODELS)
def test_gradient_is_zero_at_the_top(late_table, model):
    found = fit(late_table, model=model)
    gradient = found.likelihood(found.theta)[1]
    # In standard errors: how far the top still is.
    assert np.abs(found.covariance @ gradient / np.sqrt(np.diag(found.covariance))).max() < 1e-8


@pytest.mark.parametrize("model", MODELS)
def test_profile_limits_lie_where_the_likelihood_dropped(late_table, model):
    found = fit(late_table, model=model)
    top = found.likelihood(found.theta)[0]
    drop = stats.chi2.ppf(0.95, 1) / 2
    for j, (name, pair) in enumerate(found.interval().items()):
        assert pair.method == "profile likelihood", name
        for end in pair:
            fixed = np.log(end) if found.family.positive[j] else end
            width = np.sqrt(np.diag(found.covariance))

            def minus(u, fixed=fixed, j=j, width=width):
                theta = found.theta + u * width
                theta[j] = fixed
                return -found.likelihood(theta)[0]

            other = optimize.minimize(
                minus, np.zeros(found.theta.size), method="Nelder-Mead",
                options={"xatol": 1e-6, "fatol": 1e-10},
            )  # fmt: skip
            assert top + other.fun == pytest.approx(drop, abs=1e-6)


@pytest.mark.parametrize("model", MODELS)
def test_profile_limits_of_b10_and_survival(late_table, model):
    found = fit(late_table, model=model)
    top, drop = found.likelihood(found.theta)[0], stats.chi2.ppf(0.95, 1) / 2
    b10 = found.quantile_interval(0.1)
    five = found.survival_interval(600.0)
    assert b10.method == five.method == "profile likelihood"
    assert b10.low < found.quantile(0.1) < b10.high
    assert five.low < found.survival(600.0) < five.high
    for age, hazard in [(b10.low, -np.log(0.9)), (b10.high, -np.log(0.9))] + [
        (600.0, -np.log(s)) for s in five
    ]:
        best = _best_on_curve(found, age, hazard)
        assert top - best == pytest.approx(drop, abs=1e-6)
    # The limits nearly agree with those of standard errors in so large a record.
    normal = found.quantile_interval(0.1, method="normal")
    assert normal.method == "normal, log scale"
    assert b10 == pytest.approx(normal, rel=0.01)


def _best_on_curve(found, age, hazard):
    family, scale = found.family, found.family.scale_index
    if found.theta.size == 1:
        return found.likelihood(family.locate(found.theta, age, hazard))[0]
    shape = 1 - scale
    width = np.sqrt(found.covariance[shape, shape])

    def minus(u):
        theta = found.theta.copy()
        theta[shape] += u * width
        return -found.likelihood(family.locate(theta, age, hazard))[0]

    return -optimize.minimize_scalar(
        minus, bounds=(-6, 6), options={"xatol": 1e-9}, method="bounded"
    ).fun


def test_exponential_limits_in_closed_form():
    # 2 (top - l(rate)) = 2 (r log(r / x) - (r - x)), x the failures expected at that rate.
    found = fit(
        RiskTable.from_lives(0, np.arange(1, 31), np.ones(30, dtype=bool)), model="exponential"
    )
    exposure = np.arange(1, 31).sum()
    for end in found.interval()["rate"]:
        x = end * exposure
        assert 2 * (30 * np.log(30 / x) - (30 - x)) == pytest.approx(
            stats.chi2.ppf(0.95, 1), rel=1e-8
        )


@pytest.mark.parametrize("failures", [0, 1, 4])
def test_too_few_failures_give_an_exact_bound(failures):
    failed = np.arange(40) < failures
    found = fit(RiskTable.from_lives(0, np.full(40, 25), failed))
    assert isinstance(found, NoFit)
    assert found.refused
    assert found.parameters is None
    low, high = found.interval()
    # Exact Poisson limits over 1,000 days, by their definition.
    assert stats.poisson.cdf(failures, high * 1000) == pytest.approx(0.025)
    if failures:
        assert stats.poisson.sf(failures - 1, low * 1000) == pytest.approx(0.025)
    else:
        assert low == 0
    assert "too few for a shape" in str(found)
    json.dumps(found.to_dict(), allow_nan=False)


def test_nothing_lived_nothing_said():
    found = fit(RiskTable.from_lives([], [], np.array([], dtype=str)))
    assert isinstance(found, NoFit)
    assert found.interval() is None
    newborn = fit(RiskTable.from_lives(0, [0] * 6, [True] * 6))
    assert newborn.reason == "nothing was lived under observation"


@pytest.mark.parametrize("model", ["weibull", "lognormal", "loglogistic", "gamma"])
def test_all_failures_on_one_day_are_no_shape(model):
    found = fit(RiskTable.from_lives(0, [30] * 25, [True] * 25), model=model)
    assert isinstance(found, NoFit)
    assert "no shape fits them" in found.reason


def test_a_penalty_holds_a_shape_that_would_run_away():
    table = RiskTable.from_lives(0, [30] * 8 + [25] * 4, [True] * 8 + [False] * 4)
    assert fit(table).refused
    penalty = ShapePenalty(centre=np.log(2.0), variance=0.1)
    held = fit(table, penalty=penalty)
    assert held.label == "penalised"
    assert 2 < held.parameters["shape"] < 15
    assert held.interval()["shape"].method == "penalised profile likelihood"


def test_penalty_top_against_a_direct_search():
    rng = np.random.default_rng(3)
    life, leave = 900 * rng.weibull(1.5, 30), rng.uniform(200, 900, 30)
    exit_, failed = np.ceil(np.minimum(life, leave)), life <= leave
    assert 5 <= failed.sum() <= 20
    penalty = ShapePenalty(centre=np.log(1.2), variance=0.05)
    found = fit(RiskTable.from_lives(0, exit_, failed), penalty=penalty)

    def minus(theta):
        theirs = stats.weibull_min(np.exp(theta[0]), scale=np.exp(theta[1]))
        value = theirs.logpdf(exit_[failed]).sum() + theirs.logsf(exit_[~failed]).sum()
        return -value + (theta[0] - np.log(1.2)) ** 2 / 0.1

    other = optimize.minimize(minus, found.theta + 0.1, method="BFGS", options={"gtol": 1e-7})
    assert found.theta == pytest.approx(other.x, abs=OPTIMISER)
    # The likelihood reported is that of the records.
    theirs = stats.weibull_min(found.parameters["shape"], scale=found.parameters["scale"])
    plain = theirs.logpdf(exit_[failed]).sum() + theirs.logsf(exit_[~failed]).sum()
    assert found.log_likelihood == pytest.approx(plain, rel=SAME)
    # The lognormal is drawn by - log sigma.
    centred = ShapePenalty(centre=0.0, variance=1e-8)
    drawn = fit(RiskTable.from_lives(0, exit_, failed), model="lognormal", penalty=centred)
    assert drawn.parameters["sigma"] == pytest.approx(1, abs=1e-5)


def test_a_penalty_is_not_used_where_the_records_are_rich(late_table):
    penalty = ShapePenalty(centre=np.log(9.0), variance=1e-4)
    found = fit(late_table, penalty=penalty)
    assert found.label == "maximum likelihood"
    assert found.theta.tolist() == fit(late_table).theta.tolist()


def test_labels():
    rng = np.random.default_rng(5)
    few = fit(RiskTable.from_lives(0, rng.integers(1, 90, 12), np.ones(12, dtype=bool)))
    assert few.label == "few failures"


def test_a_cause_alone(late):
    entry, exit_, failed = late
    cause = np.where(failed, np.where(exit_ % 3 == 0, "trip", "wear"), "")
    both = RiskTable.from_lives(entry, exit_, cause)
    alone = RiskTable.from_lives(entry, exit_, cause == "trip")
    found = fit(both, cause="trip")
    assert found.theta == pytest.approx(fit(alone).theta, rel=SAME)
    assert found.failures == int((cause == "trip").sum())
    assert fit(both).failures == int(failed.sum())


def test_day_zero_failures_stand_at_half_a_day():
    exit_, failed = np.array([0, 0, 3, 8, 20, 40, 60]), np.array([1, 1, 1, 1, 1, 1, 0], dtype=bool)
    cells = fit(RiskTable.from_lives(0, exit_, failed))
    rows = fit(RiskTable.from_lives(0, np.where(exit_ == 0, 0.5, exit_), failed))
    assert cells.theta == pytest.approx(rows.theta, rel=SAME)
    assert cells.log_likelihood == pytest.approx(rows.log_likelihood, rel=SAME)


def test_weights_of_evidence_add_up(late_table):
    fits = fit_all(late_table)
    weights = aic_weights(fits)
    assert sum(weights.values()) == pytest.approx(1)
    best = min(fits.values(), key=lambda one: one.aic)
    assert max(weights, key=weights.get) == best.model
    ratio = weights["gamma"] / weights["weibull"]
    assert ratio == pytest.approx(np.exp((fits["weibull"].aic - fits["gamma"].aic) / 2))
    assert aic_weights([exact_poisson_bound(late_table)]) == {}


def test_infinite_means_are_said():
    exit_ = np.array([1, 1, 2, 3, 5, 9, 40, 200, 900, 900, 900, 900])
    failed = np.arange(12) < 9
    table = RiskTable.from_lives(0, exit_, failed)
    heavy = fit(table, model="loglogistic")
    assert heavy.parameters["shape"] < 1
    assert heavy.mean() == np.inf
    assert heavy.mean_interval() is None
    falling = fit(table, model="gompertz")
    assert falling.parameters["slope"] < 0
    assert falling.mean() == np.inf
    assert falling.quantile(0.999) == np.inf
    written = falling.to_dict()
    assert written["mean_days"] is None
    json.dumps(written, allow_nan=False)


def test_mean_interval_of_the_exponential():
    found = fit(
        RiskTable.from_lives(0, np.arange(1, 31), np.ones(30, dtype=bool)), model="exponential"
    )
    low, high = found.mean_interval()
    spread = np.exp(1.959963984540054 / np.sqrt(30))
    assert (low, high) == pytest.approx((found.mean() / spread, found.mean() * spread), rel=1e-6)


def test_wrong_words(late_table):
    with pytest.raises(InputError, match="model must be one of exponential, weibull"):
        fit(late_table, model="normal")
    found = fit(late_table)
    with pytest.raises(InputError, match="method must be profile or normal"):
        found.interval(method="bootstrap")
    with pytest.raises(InputError, match="share_failed must lie between 0 and 1"):
        found.quantile(10)


def test_text_and_table(late_table):
    found = fit(late_table)
    assert isinstance(found, FittedLife)
    assert str(found).splitlines()[1].startswith("weibull: shape 1.")
    assert found.table().parameter.tolist() == ["shape", "scale"]
    written = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert written["b10_ci"][0] < written["b10_days"] < written["b10_ci"][1]
    with pytest.raises(ValueError, match="read-only"):
        found.theta[0] = 1
