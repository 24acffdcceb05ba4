"""Fitted lives against published values and R survreg: rows W1 to W5, W9, W10 and I1."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import digamma, gamma

from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.intervals import mean_life_limits
from failstats.estimate.life_models import fit
from failstats.estimate.life_regression import fit_life_regression
from failstats.estimate.turnbull import turnbull

#: R's survreg and lifelines stop a little early; both agree with the top to this.
FITTED = 1e-7
#: Standard errors from R's survreg at its own stopping point.
ERRORS = 1e-6
#: Closed forms.
EXACT = 1e-9


def printed(value: float, text: str) -> bool:
    decimals = len(text.split(".")[1]) if "." in text else 0
    return f"{value:.{decimals}f}" == text


def mean_and_sd(fitted):
    scale, shape = fitted.parameters["scale"], fitted.parameters["shape"]
    second = scale**2 * gamma(1 + 2 / shape)
    return fitted.mean(), float(np.sqrt(second - fitted.mean() ** 2))


@pytest.fixture(scope="module")
def twenty_units(life_data):
    return life_data.counted("typed_nist_apr413", "hours", "failed")


def test_w1_weibull(twenty_units):
    # NIST/SEMATECH e-Handbook 8.4.1.3. The page prints scale 606.5280, which is not converged.
    found = fit(twenty_units)
    assert found.parameters["scale"] == pytest.approx(606.527558004273, rel=FITTED)
    assert found.parameters["shape"] == pytest.approx(1.7207972608085, rel=FITTED)
    assert printed(found.parameters["shape"], "1.7208")
    assert abs(found.parameters["scale"] / 606.5280 - 1) < 1e-6  # the page's own slack
    assert printed(found.log_likelihood, "-75.135")
    assert found.log_likelihood == pytest.approx(-75.1346181644749, rel=FITTED)
    assert printed(found.aic, "154.27")
    mean, sd = mean_and_sd(found)
    assert printed(mean, "540.737")
    assert printed(sd, "323.806")


def test_w1_intervals(twenty_units):
    # R survreg, normal limits on the log scale.
    found = fit(twenty_units)
    limits = found.interval(method="normal")
    assert limits["scale"] == pytest.approx((405.089293533385, 908.134785320631), rel=ERRORS)
    assert limits["shape"] == pytest.approx((0.971266101958625, 3.04874555678891), rel=ERRORS)
    assert found.quantile(0.1) == pytest.approx(164.022438661092, rel=FITTED)
    b10 = found.quantile_interval(0.1, method="normal")
    assert b10 == pytest.approx((83.8751295264668, 320.754919082924), rel=ERRORS)


def test_w1_lognormal(twenty_units):
    found = fit(twenty_units, model="lognormal")
    assert printed(found.aic, "154.39")  # NIST 8.4.1.3
    assert found.parameters["mu"] == pytest.approx(6.22601506855769, rel=FITTED)
    assert found.parameters["sigma"] == pytest.approx(0.908914039430132, rel=FITTED)


def test_w2_the_script_with_55(life_data):
    # NIST R script for 8.4.1.3: the first failure is 55 there, 54 on the page.
    frame = life_data.read("typed_nist_apr413")
    hours = frame.hours.replace(54, 55).to_numpy()
    table = RiskTable.from_lives(0, hours, frame.failed.to_numpy() > 0)
    found = fit(table)
    assert printed(found.parameters["scale"], "606.005")
    assert printed(found.parameters["shape"], "1.72563")
    assert printed(found.log_likelihood, "-75.122")
    assert printed(found.aic, "154.24")
    assert printed(fit(table, model="lognormal").aic, "154.33")
    mean, sd = mean_and_sd(found)
    assert printed(mean, "540.175")
    assert printed(sd, "322.647")
    curve = kaplan_meier(table)
    assert printed(curve.std_error[curve.age == 55][0], "0.0487")
    assert printed(curve.std_error[curve.age == 386][0], "0.1118")
    assert printed(float(curve.interval_at(386, scale="log")[0]), "0.323")


def test_w3_fans(life_data):
    # Nelson (1982); Meeker and Escobar (1998) (M); R survreg.
    table = life_data.counted("survival_genfan", "hours", "status")
    assert (table.lives, table.failures) == (70, 12)
    assert printed(1 / fit(table, model="exponential").parameters["rate"], "28703")
    found = fit(table)
    assert printed(found.parameters["scale"], "26297")
    assert printed(found.parameters["shape"], "1.0584")
    assert printed(np.log(found.parameters["scale"]), "10.1772")
    assert printed(1 / found.parameters["shape"], "0.9448")
    assert found.parameters["scale"] == pytest.approx(26296.8451742304, rel=FITTED)
    assert found.log_likelihood == pytest.approx(-135.152719943356, rel=FITTED)
    assert found.quantile(0.1) == pytest.approx(3137.24077788021, rel=FITTED)
    b10 = found.quantile_interval(0.1, method="normal")
    assert b10 == pytest.approx((1686.20737203987, 5836.93314452057), rel=ERRORS)
    log_normal = fit(table, model="lognormal").parameters
    assert log_normal["mu"] == pytest.approx(10.1432390945751, rel=FITTED)
    assert log_normal["sigma"] == pytest.approx(1.67959261431021, rel=FITTED)


def test_w3_mean_life_limits(life_data):
    # Chi-square limits of a record ended by time: 26 degrees below, 24 above.
    table = life_data.counted("survival_genfan", "hours", "status")
    limits = mean_life_limits(12, exposure=table.exposure)
    assert limits == pytest.approx((16431.9634802596, 55549.6859501764), rel=EXACT)


def test_w4_motors(life_data):
    # Venables and Ripley, MASS 4th ed., 13.2 (M); R survreg.
    frame = life_data.read("MASS_motors")
    found = fit_life_regression(
        frame.time, failed=frame.cens == 1, covariates=frame.temp, names=["temp"], unit="hours"
    )
    assert printed(found.coefficients["intercept"], "16.3185")
    assert printed(found.coefficients["temp"], "-0.0453")
    assert printed(found.sigma, "0.334")
    assert printed(found.log_likelihood, "-147.4")
    assert found.coefficients["temp"] == pytest.approx(-0.0453070534787835, rel=ERRORS)
    assert found.log_likelihood == pytest.approx(-147.365061177103, rel=FITTED)
    log_life, error = found.log_quantile(130.0, share_failed=-np.expm1(-1.0))
    assert printed(np.exp(log_life), "33813")
    assert printed(np.exp(log_life) * error, "7506")
    log_b10, error = found.log_quantile(130.0, share_failed=0.1)
    limits = np.exp([log_b10, log_b10 - 2 * error, log_b10 + 2 * error])
    assert limits == pytest.approx(
        [15934.5942435484, 10258.1740720506, 24752.0944685793], rel=ERRORS
    )


def test_w5_capacitors(life_data):
    # Zelen (1959); Meeker and Escobar (1998), Table 17 (M); R survreg.
    frame = life_data.read("survival_capacitor")
    found = fit_life_regression(
        frame.time,
        failed=frame.status == 1,
        covariates=frame[["temperature", "voltage"]],
        names=["temperature", "voltage"],
    )
    assert printed(found.coefficients["intercept"], "13.407")
    assert printed(found.coefficients["temperature"], "-0.0289")
    assert printed(found.coefficients["voltage"], "-0.00591")
    assert printed(found.sigma, "0.3638")
    assert printed(found.log_likelihood, "-244.24")
    assert found.coefficients["intercept"] == pytest.approx(13.4070168807645, rel=FITTED)
    assert found.sigma == pytest.approx(0.36380918100036, rel=FITTED)


def test_w9_shock_absorbers(life_data):
    # O'Connor (1985); Meeker and Escobar (1998) chapter 8 (M); R survreg.
    found = fit(life_data.counted("typed_shock_absorber", "km", "mode"))
    assert printed(np.log(found.parameters["scale"]), "10.23")
    assert printed(1 / found.parameters["shape"], "0.3164")
    assert printed(found.parameters["scale"], "27719")
    assert printed(found.parameters["shape"], "3.16")
    assert round(found.quantile(0.1), -2) == 13600
    assert found.quantile(0.1) == pytest.approx(13600.0347150565, rel=ERRORS)
    b10 = found.quantile_interval(0.1, method="normal")
    assert b10 == pytest.approx((10221.8418299879, 18094.6787601545), rel=ERRORS)


def test_w10_air_conditioners(life_data):
    # Proschan (1963); Davison and Hinkley (1997) Example 1.1 (M); R.
    hours = life_data.read("boot_aircondit").hours.to_numpy()
    table = RiskTable.from_lives(0, hours, np.ones(hours.size, dtype=bool))
    assert printed(1 / fit(table, model="exponential").parameters["rate"], "108.083")
    assert mean_life_limits(12, exposure=table.exposure, ended_by="failure") == pytest.approx(
        (65.8976456693463, 209.174145503945), rel=EXACT
    )
    weibull = fit(table).parameters
    assert weibull["scale"] == pytest.approx(94.9648950691294, rel=FITTED)
    assert weibull["shape"] == pytest.approx(0.793943807016125, rel=FITTED)


def test_w10_gamma_shape_is_the_exact_root(life_data):
    # Without censoring the shape solves log k - digamma(k) = log mean - mean log. The value
    # computed in R, 0.706493096605877, lies 7.8e-8 from that root.
    hours = life_data.read("boot_aircondit").hours.to_numpy().astype(float)
    gap = np.log(hours.mean()) - np.log(hours).mean()
    root = brentq(lambda k: np.log(k) - digamma(k) - gap, 0.1, 5, xtol=1e-14)
    table = RiskTable.from_lives(0, hours, np.ones(hours.size, dtype=bool))
    found = fit(table, model="gamma").parameters["shape"]
    assert found == pytest.approx(root, rel=EXACT)
    assert printed(found, "0.71")
    assert found == pytest.approx(0.706493096605877, abs=1e-7)


#: R's turnbull.R stops when the log-likelihood moves by less than 1e-4.
TURNBULL = 1e-4


@pytest.mark.parametrize(
    ("age", "text", "r_value"),
    [
        (1, "0.538", 0.537567714669201),
        (2, "0.295", 0.294594032546376),
        (3, "0.210", 0.209760214997243),
        (4, "0.095", 0.0948457531854178),
    ],
)
def test_i1_turnbull(life_data, age, text, r_value):
    # Turnbull (1974), JASA 69, 169; R tests/turnbull.R.
    frame = life_data.read("typed_turnbull1974")
    lower = np.where(frame.status == 2, 0, frame.time)
    upper = np.where(frame.status == 0, np.inf, frame.time)
    low, high = turnbull(lower, upper=upper, counts=frame.n).survival_at(float(age))
    assert printed(float(high), text)
    assert float(high) == pytest.approx(r_value, abs=TURNBULL)
    assert float(low) == float(high) or age == 4  # past 4 the last gap is open
