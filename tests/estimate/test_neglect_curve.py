"""The failure rate by time since a cleaning: its level, its draws, its ends, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest

from failstats.errors import FitError, InputError
from failstats.estimate.neglect_curve import MONTH_DAYS, NeglectCurve

KNOTS = [3.0, 12.0, 24.0, 48.0]
RNG = np.random.default_rng(11)
ROOT = RNG.standard_normal((4, 4)) * [[0.01], [0.8], [1.4], [0.05]]
DRAWS = 20_000
STANDARD_ERRORS = 4  # Monte Carlo error allowed, in its own standard errors


def smooth(**other) -> NeglectCurve:
    given = {
        "kind": "smooth",
        "months": KNOTS,
        "coefficients": [0.05, -3.0, 4.0],
        "rate_per_day": 0.0004,
        "reference_months": [1.0, 3.0, 5.0, 7.0, 9.0, 11.0],
        "reference_shares": np.array([24, 21, 18, 15, 12, 10]) / 100,
        "covariance": ROOT @ ROOT.T,
        "watched_months": 54.0,
    }
    return NeglectCurve(**{**given, **other})


def test_the_mean_over_the_first_year_is_the_rate_that_was_observed() -> None:
    curve = smooth()
    at = curve.rates(curve.reference_months * MONTH_DAYS)
    assert at @ curve.reference_shares == pytest.approx(0.0004, rel=1e-12)
    # the rate of a year is not the rate at six months: the curve climbs, most days are early ones
    assert curve.rates([6 * MONTH_DAYS])[0] > 1.03 * 0.0004
    # so it is under every draw, each with its own rate
    drawn = curve.draws(50, seed=1)
    every = curve.rates(curve.reference_months * MONTH_DAYS, theta=drawn)
    assert every @ curve.reference_shares == pytest.approx(np.exp(drawn[:, -1]), rel=1e-12)


def test_ratios_do_not_depend_on_what_they_are_held_against() -> None:
    ratio = np.divide(*smooth().rates([900.0, 300.0]))
    other = np.divide(*smooth(reference_months=[30.0], reference_shares=[1.0]).rates([900.0, 300]))
    assert ratio == pytest.approx(other, rel=1e-12)


def test_beyond_what_was_watched_it_stays_where_it_is() -> None:
    curve = smooth(watched_months=36.0)
    assert curve.rates([36 * MONTH_DAYS]) == curve.rates([99 * MONTH_DAYS])
    assert curve.rates([35 * MONTH_DAYS]) != curve.rates([36 * MONTH_DAYS])


@pytest.mark.parametrize("months", [0.0, 6.0, 20.0, 54.0])
def test_joint_draws_agree_with_the_delta_method(months: float) -> None:
    curve = smooth(covariance=ROOT @ ROOT.T / 100)  # small: there the delta method is exact enough
    day = np.array([months * MONTH_DAYS])

    def log_rate(theta: np.ndarray) -> float:
        return float(np.log(curve.rates(day, theta=theta)[0]))

    step = 1e-6
    gradient = np.array(
        [
            (log_rate(curve.theta + step * one) - log_rate(curve.theta - step * one)) / (2 * step)
            for one in np.eye(4)
        ]
    )
    error = np.sqrt(gradient @ curve.covariance @ gradient)
    drawn = np.log(curve.rates(day, theta=curve.draws(DRAWS, seed=2))[:, 0])
    assert drawn.std() == pytest.approx(error, rel=STANDARD_ERRORS / np.sqrt(2 * DRAWS))
    assert abs(drawn.mean() - log_rate(curve.theta)) < STANDARD_ERRORS * error / np.sqrt(DRAWS) * 2


def test_bands_move_together_where_they_share_a_reference() -> None:
    # two bands held against the same few failures: 25 in the reference, 100 in either band
    covariance = np.array([[0.05, 0.04, -0.04], [0.04, 0.05, -0.04], [-0.04, -0.04, 0.04]])
    curve = NeglectCurve(
        kind="bands", months=[12, 24], coefficients=np.log([1.5, 2.0]), rate_per_day=0.001,
        reference_months=[6], reference_shares=[1], covariance=covariance, watched_months=24,
    )  # fmt: skip
    rates = np.log(curve.rates([100, 500, 1000], theta=curve.draws(DRAWS, seed=3)))
    # what a band itself was seen to fail is as sure as its own 100 failures say
    allowed = STANDARD_ERRORS / np.sqrt(2 * DRAWS)
    assert rates.std(axis=0) == pytest.approx([0.2, 0.1, 0.1], rel=allowed)
    assert abs(np.corrcoef(rates[:, 1], rates[:, 2])[0, 1]) < STANDARD_ERRORS / np.sqrt(DRAWS)
    assert curve.rates([364.9, 365, 729.9, 730]).tolist() == pytest.approx(
        [0.001, 0.0015, 0.0015, 0.002]
    )


def test_it_survives_json() -> None:
    curve = smooth()
    again = NeglectCurve.of(json.loads(json.dumps(curve.to_dict())))
    days = np.arange(2000.0)
    assert (again.rates(days) == curve.rates(days)).all()
    assert (again.covariance == curve.covariance).all()


@pytest.mark.parametrize(
    ("other", "fault", "words"),
    [
        ({"months": [3.0, 12.0]}, InputError, "cannot have 3 coefficients"),
        ({"covariance": np.eye(3)}, InputError, "must be 4 by 4"),
        ({"reference_shares": np.ones(6)}, InputError, "sum to 1"),
        ({"rate_per_day": 0.0}, FitError, "rate above 0"),
        ({"coefficients": [np.nan, 0, 0]}, FitError, "finite"),
    ],
)
def test_what_does_not_fit_is_refused(other, fault, words) -> None:
    with pytest.raises(fault, match=words):
        smooth(**other)
