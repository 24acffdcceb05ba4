"""Belief in a hazard ratio, and what it means."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from failstats.errors import InputError
from failstats.estimate.belief import (
    attributable_share,
    calibrated_interval,
    control_verdict,
    detectable_hazard_ratio,
    e_value,
    number_needed,
    time_ratio,
)

EXACT = 1e-12


class TestEValue:
    """VanderWeele and Ding (2017)."""

    def test_published(self):
        got = e_value(3.9, low=1.8, high=8.7)
        assert got.estimate == pytest.approx(7.26303434416005, rel=EXACT)  # 7.26, second-hand
        assert got.limit == pytest.approx(3.0, rel=EXACT)  # 3.0, from memory
        assert round(e_value(10.73).estimate, 2) == 20.95  # second-hand
        assert e_value(10.73).estimate == pytest.approx(20.9477737301234, rel=EXACT)
        assert e_value(0.75).estimate == pytest.approx(2.0, rel=EXACT)

    def test_protective_is_its_mirror(self):
        assert e_value(0.8).estimate == pytest.approx(e_value(1.25).estimate, rel=EXACT)
        assert e_value(0.8).estimate == pytest.approx(1.80901699437495, rel=EXACT)  # closed form
        mirrored = e_value(1 / 3.9, low=1 / 8.7, high=1 / 1.8)
        assert mirrored.limit == pytest.approx(3.0, rel=EXACT)

    def test_common_outcome(self):
        got = e_value(2.0, measure="hazard_ratio", common=True)
        assert got.estimate == pytest.approx(2.60640926553089, rel=EXACT)  # closed form
        assert e_value(4.0, measure="odds_ratio", common=True).risk_ratio == pytest.approx(2.0)
        assert e_value(2.0, measure="risk_ratio", common=True).risk_ratio == 2.0

    def test_edges(self):
        assert e_value(1.0).estimate == 1.0
        assert e_value(1.4, low=0.9, high=2.0).limit == 1.0
        assert e_value(1.4).limit is None
        with pytest.raises(InputError, match="above 0"):
            e_value(0.0)
        with pytest.raises(InputError, match="low <= ratio <= high"):
            e_value(2.0, low=2.5, high=3.0)
        with pytest.raises(InputError, match="both low and high"):
            e_value(2.0, low=1.5)


def test_detectable_ratio_has_eighty_percent_power():
    error = 0.17
    log_ratio = np.log(detectable_hazard_ratio(error))
    assert log_ratio == pytest.approx(2.80 * error, rel=EXACT)
    power = stats.norm.sf(1.959964 - log_ratio / error)
    assert power == pytest.approx(0.80, abs=0.001)  # 2.80 is 2.8016 rounded
    assert detectable_hazard_ratio(0.0) == 1.0
    with pytest.raises(InputError, match="0 or more"):
        detectable_hazard_ratio(float("nan"))


class TestAttributableShare:
    def test_is_levins_when_unadjusted(self):
        """Prevalence .4, ratio 2: .285714 (closed form)."""
        p, ratio = 0.4, 2.0
        levin = p * (ratio - 1) / (1 + p * (ratio - 1))
        cases = np.array([1 - p, p * ratio]) * 1000
        got = attributable_share(cases, hazard_ratios=[1.0, ratio])
        assert got.estimate == pytest.approx(levin, rel=EXACT)
        assert round(got.estimate, 6) == 0.285714

    def test_interval_covers(self):
        rng = np.random.default_rng(0)
        log_ratio, error, p = np.log([1.0, 1.5, 2.5]), np.array([0, 0.1, 0.15]), [0.3, 0.4, 0.3]
        true = float(np.dot(p, 1 - np.exp(-log_ratio)))
        inside = 0
        for cases in rng.multinomial(400, p, 2000):
            seen = np.exp(log_ratio + error * rng.standard_normal(3))
            got = attributable_share(cases, hazard_ratios=seen, covariance=np.diag(error**2))
            low, high = got.interval()
            inside += low <= true <= high
        # 2,000 draws: a standard error of 0.0049, four of them around 0.95.
        assert 0.930 < inside / 2000 < 0.970

    def test_edges(self):
        none = attributable_share([5, 0], hazard_ratios=[1.0, np.nan])
        assert none.estimate == 0.0 and none.interval() == (0.0, 0.0)
        low, high = attributable_share([1, 9], hazard_ratios=[1.0, 50.0]).interval()
        assert low < high <= 1.0
        with pytest.raises(InputError, match="of one length"):
            attributable_share([1], hazard_ratios=[1.0, 2.0])
        with pytest.raises(InputError, match="every band with failures"):
            attributable_share([1, 2], hazard_ratios=[1.0, np.nan])


class TestCalibration:
    def test_one_control_shifts_and_widens(self):
        got = calibrated_interval(
            np.log(2.0),
            standard_error=0.1,
            control_log_ratios=[np.log(1.3)],
            control_standard_errors=[0.2],
        )
        assert got.ratio == pytest.approx(2.0 / 1.3)
        assert got.standard_error == pytest.approx(np.hypot(0.1, 0.2))
        assert (got.bias_spread, got.controls) == (0.0, 1)
        low, high = got.interval()
        half = 1.959963984540054 * np.hypot(0.1, 0.2)
        assert (low, high) == pytest.approx((2 / 1.3 * np.exp(-half), 2 / 1.3 * np.exp(half)))

    def test_perfect_controls_change_nothing(self):
        got = calibrated_interval(
            0.7,
            standard_error=0.1,
            control_log_ratios=np.zeros(4),
            control_standard_errors=np.full(4, 1e-9),
        )
        assert got.log_ratio == pytest.approx(0.7)
        assert got.standard_error == pytest.approx(0.1)

    def test_equal_errors_have_a_closed_form(self):
        theta, error = np.array([-0.4, 0.1, 0.9, 0.3, -0.2]), 0.1
        got = calibrated_interval(
            0.5,
            standard_error=0.2,
            control_log_ratios=theta,
            control_standard_errors=np.full(5, error),
        )
        spread2 = theta.var() - error**2  # maximum likelihood
        assert got.bias == pytest.approx(theta.mean())
        assert got.bias_spread == pytest.approx(np.sqrt(spread2), rel=1e-5)
        want = np.sqrt(0.2**2 + spread2 + (spread2 + error**2) / 5)
        assert got.standard_error == pytest.approx(want, rel=1e-5)

    def test_covers_where_the_plain_interval_does_not(self):
        rng = np.random.default_rng(1)
        plain = calibrated = 0
        for _ in range(600):
            bias = rng.normal(0.25, 0.15, 21)
            theta = bias + 0.1 * rng.standard_normal(21)
            got = calibrated_interval(
                theta[0] + 0.4,
                standard_error=0.1,
                control_log_ratios=theta[1:],
                control_standard_errors=np.full(20, 0.1),
            )
            low, high = got.interval()
            calibrated += low <= np.exp(0.4) <= high
            plain += abs(theta[0]) < 1.96 * 0.1
        assert plain / 600 < 0.6
        # 600 draws: a standard error of 0.009, four of them around 0.95.
        assert 0.914 < calibrated / 600 < 0.986

    def test_refusals(self):
        good = {"standard_error": 0.1, "control_log_ratios": [0.1]}
        with pytest.raises(InputError, match="as many"):
            calibrated_interval(0.5, **good, control_standard_errors=[0.1, 0.2])
        with pytest.raises(InputError, match="above 0"):
            calibrated_interval(0.5, **good, control_standard_errors=[0.0])


@pytest.mark.parametrize(
    ("interval", "verdict"),
    [
        ((0.8, 1.25), "clean"),
        ((1.02, 1.2), "clean"),
        ((0.79, 1.2), "control_too_small"),
        ((0.9, 1.26), "control_too_small"),
        ((0.4, 3.0), "control_too_small"),
        ((1.01, 1.26), "confounding_remains"),
        ((0.5, 0.99), "confounding_remains"),
        ((1.5, 2.5), "confounding_remains"),
        ((np.nan, np.nan), "control_too_small"),
    ],
)
def test_control_verdict(interval, verdict):
    assert control_verdict(interval) == verdict


class TestNumberNeeded:
    """Altman (1998) BMJ 317:1309, seen second-hand."""

    def test_interval_through_zero(self):
        got = number_needed(0.10, low=-0.05, high=0.25)
        assert got.pieces == (("benefit", 4.0, np.inf), ("harm", 20.0, np.inf))
        assert str(got) == "benefit 10 (benefit 4 to infinity to harm 20)"

    def test_all_benefit(self):
        got = number_needed(0.166, low=0.009, high=0.322)
        assert round(got.estimate, 2) == 6.02
        kind, low, high = got.pieces[0]
        assert (kind, round(low, 1), round(high, 1)) == ("benefit", 3.1, 111.1)
        assert len(got.pieces) == 1

    def test_harm_and_edges(self):
        got = number_needed(-0.1, low=-0.2, high=-0.05)
        assert (got.kind, got.pieces) == ("harm", (("harm", 5.0, 20.0),))
        assert number_needed(0.1, low=0.0, high=0.2).pieces == (("benefit", 5.0, np.inf),)
        assert np.isinf(number_needed(0.0, low=-0.1, high=0.1).estimate)
        with pytest.raises(InputError, match="must hold"):
            number_needed(0.3, low=-0.1, high=0.1)


class TestTimeRatio:
    def test_is_the_ratio_of_weibull_medians(self):
        shape, ratio, scale = 1.8, 2.4, 9.0

        def median(hazard_ratio):  # hazard_ratio * (t / scale)**shape = log 2
            return scale * (np.log(2) / hazard_ratio) ** (1 / shape)

        got = time_ratio(ratio, shape=shape)
        assert got.estimate == pytest.approx(median(ratio) / median(1.0), rel=EXACT)

    def test_interval_against_simulation(self):
        rng = np.random.default_rng(2)
        log_ratio = np.log(2.0) + 0.1 * rng.standard_normal(200_000)
        shape = 2.0 + 0.1 * rng.standard_normal(200_000)
        got = time_ratio(2.0, shape=2.0, log_ratio_error=0.1, shape_error=0.1)
        # First order: a few per cent of the simulated spread are of second order.
        assert got.log_error == pytest.approx(np.std(log_ratio / shape), rel=0.02)
        low, high = got.interval()
        assert low < got.estimate < high

    def test_refusals(self):
        with pytest.raises(InputError, match="shape must be"):
            time_ratio(2.0, shape=0.0)
        with pytest.raises(InputError, match="hazard_ratio must be"):
            time_ratio(-1.0, shape=2.0)
