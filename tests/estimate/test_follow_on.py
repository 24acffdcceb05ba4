"""Follow-on by replicates that are weighed a few at a time."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.estimate.follow_on import follow_on
from failstats.estimate.pairing_habit import pairing_habit


def test_replicates_weighed_a_few_at_a_time_are_the_same_draws(monkeypatch):
    rng = np.random.default_rng(3)
    jobs = 120
    given = {
        "followed_days": rng.integers(1, 600, jobs),
        "event": rng.integers(0, 3, jobs),
        "both": rng.random(jobs) < 0.4,
        "cluster": rng.integers(0, 70, jobs),
        "windows": [90, 365],
        "covariates": rng.normal(size=(jobs, 2)) * 0.2,
        "replicates": 40,
    }
    whole = follow_on(given.pop("followed_days"), **given)
    assert whole.weighted_alone_draws.shape == (40, 2)
    monkeypatch.setattr("failstats.estimate.follow_on.WEIGHTS_AT_ONCE", 7 * jobs)
    rng = np.random.default_rng(3)
    few = follow_on(rng.integers(1, 600, jobs), **given)
    assert np.array_equal(few.alone_draws, whole.alone_draws)
    assert np.array_equal(few.both_draws, whole.both_draws)
    # the logistic fits begin from the mean of their block: the square of their last step is left
    assert few.weighted_alone_draws == pytest.approx(whole.weighted_alone_draws, rel=1e-8)
    assert few.weighted_both_draws == pytest.approx(whole.weighted_both_draws, rel=1e-8)


def test_habits_weighed_a_few_at_a_time_are_the_same_draws(monkeypatch):
    rng = np.random.default_rng(4)
    jobs = 600
    habit = rng.integers(0, 8, jobs)
    both = rng.random(jobs) < 0.1 + 0.1 * habit
    days, event = rng.integers(1, 600, jobs), rng.integers(0, 3, jobs)
    given = {
        "event": event, "both": both, "habit": habit, "cluster": rng.integers(0, 300, jobs),
        "windows": [90, 365], "covariates": rng.normal(size=(jobs, 2)), "replicates": 40,
    }  # fmt: skip
    whole = pairing_habit(days, **given)
    monkeypatch.setattr("failstats.estimate.follow_on.WEIGHTS_AT_ONCE", 7 * jobs)
    few = pairing_habit(days, **given)
    assert few.difference == pytest.approx(whole.difference, rel=1e-12)
    assert few.draws == pytest.approx(whole.draws, rel=1e-9)
    assert few.strength == pytest.approx(whole.strength, rel=1e-9)
