"""Gamma frailty: slopes, truth, a late start, a new unit, and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import gamma
from statsmodels.duration.hazard_regression import PHReg

from failstats.errors import FitError, InputError
from failstats.estimate.frailty import lives_checked, lives_surface, gamma_frailty_cox, unit_frailty

YEAR = 365.25
LAWS = {"belt": (1.5, 12.0), "coil": (1.8, 9.0)}
SLOPE = 1e-5  # central differences
SURE = 0.999  # one company is no test of coverage; beyond this something is wrong


def _company(units: int, variance: float, seed: int) -> pd.DataFrame:
    """All lives of units watched from installation for up to 8 years."""
    rng = np.random.Generator(np.random.PCG64(seed))
    weak = rng.gamma(1 / variance, variance, units) if variance else np.ones(units)
    end = 8 * YEAR * rng.random(units)
    rows = []
    for law, (shape, scale) in LAWS.items():
        born, unit = np.zeros(units), np.arange(units)
        while unit.size:
            life = scale * YEAR * (-np.log1p(-rng.random(unit.size)) / weak[unit]) ** (1 / shape)
            failed = born + life < end[unit]
            rows.append(
                pd.DataFrame(
                    {
                        "unit": unit,
                        "law": law,
                        "exit": np.where(failed, life, end[unit] - born),
                        "failed": failed,
                    }
                )
            )
            unit, born = unit[failed], (born + life)[failed]
    return pd.concat(rows, ignore_index=True)


def _fit(lives: pd.DataFrame, entry: object = 0.0):
    return unit_frailty(
        lives["unit"], law=lives["law"], entry=entry, exit=lives["exit"], failed=lives["failed"]
    )


def test_the_slope_is_that_of_the_value() -> None:
    lives = _company(300, 0.5, 1)
    entry = np.where(np.arange(len(lives)) % 3 == 0, lives["exit"] / 2, 0.0)
    surface = lives_surface(
        lives_checked(lives["unit"], lives["law"], entry, lives["exit"], lives["failed"])
    )
    theta = np.array([0.3, np.log(4000.0), 0.5, np.log(3500.0), np.log(0.4)])
    _, slope = surface(theta)
    for j, step in enumerate(1e-5 * np.eye(5)):
        differenced = (surface(theta + step)[0] - surface(theta - step)[0]) / 2e-5
        assert slope[j] == pytest.approx(differenced, rel=SLOPE, abs=1e-4)


def test_one_unit_against_quadrature() -> None:
    """Two lives of one unit, the second given survival to 500: the average over the frailty."""
    v, shape, scale = 0.7, 1.4, 3000.0
    lives = lives_checked([1, 1], ["coil", "coil"], [0.0, 500.0], [900.0, 2000.0], [True, False])
    value, _ = lives_surface(lives)(np.array([np.log(shape), np.log(scale), np.log(v)]))
    h = shape / scale * (900 / scale) ** (shape - 1)
    total = (900 / scale) ** shape + (2000 / scale) ** shape
    into = (500 / scale) ** shape
    law = gamma(1 / v, scale=v).pdf
    above = quad(lambda z: z * h * np.exp(-z * total) * law(z), 0, np.inf)[0]
    below = quad(lambda z: np.exp(-z * into) * law(z), 0, np.inf)[0]
    assert value == pytest.approx(np.log(above / below), rel=1e-7)


def test_the_truth_comes_back() -> None:
    found = _fit(_company(3000, 0.5, 2))
    low, high = found.interval("variance", SURE)
    assert low < 0.5 < high
    assert found.interval("variance", SURE, method="profile")[0] > 0
    for law, (shape, scale) in LAWS.items():
        for name, told in (("shape", shape), ("scale", scale * YEAR)):
            low, high = found.interval(f"{law} {name}", SURE)
            assert low < told < high, (law, name)
    assert found.p_value < 1e-4
    assert found.tau == pytest.approx(found.variance / (found.variance + 2))
    assert found.tau_interval()[0] < 0.2 < found.tau_interval()[1]


def test_a_new_unit_is_the_average_over_all() -> None:
    found = _fit(_company(3000, 0.5, 2))
    own, v = found.parameters("coil"), found.variance
    total = (2000 / own["scale"]) ** own["shape"]
    law = gamma(1 / v, scale=v).pdf
    expected = quad(lambda z: np.exp(-z * total) * law(z), 0, np.inf)[0]
    assert found.new_unit_survival(2000.0, law="coil") == pytest.approx(expected, rel=1e-7)


def test_late_starters_count_given_that_they_survived() -> None:
    """Single lives seen only from an age on: conditioning on survival recovers the variance."""
    rng = np.random.Generator(np.random.PCG64(4))
    n, v, (shape, scale) = 30_000, 0.8, LAWS["coil"]
    weak = rng.gamma(1 / v, v, n)
    life = scale * YEAR * (-np.log1p(-rng.random(n)) / weak) ** (1 / shape)
    entry = 9 * YEAR * rng.random(n)
    seen = life > entry
    lives = pd.DataFrame({
        "unit": np.flatnonzero(seen), "law": "coil",
        "exit": np.minimum(life, entry + 9 * YEAR)[seen],
        "failed": (life < entry + 9 * YEAR)[seen],
    })  # fmt: skip
    found = _fit(lives, entry[seen])
    low, high = found.interval("variance", SURE)
    assert low < v < high
    low, high = found.interval("coil scale", SURE)
    assert low < scale * YEAR < high


def test_units_that_are_alike_are_said_to_be() -> None:
    said, seen = [], []
    for seed in range(10):
        try:
            seen.append(_fit(_company(400, 0.0, seed)).p_value)
        except FitError as fault:
            said.append(str(fault))
    assert len(said) >= 2  # chance puts the top at 0 in about half of such companies
    assert all("no difference between units" in one or "do not hold" in one for one in said)
    assert all(p_value > 0.001 for p_value in seen)


def test_cox_with_one_member_per_cluster_needs_no_cluster() -> None:
    """With the variance held near 0 the coefficient is the plain one."""
    rng = np.random.Generator(np.random.PCG64(1))
    x = rng.normal(size=200)
    time = rng.exponential(np.exp(-0.5 * x))
    found = gamma_frailty_cox(
        time, failed=np.ones(200, bool), covariates=x, cluster=np.arange(200), most_variance=2e-4
    )
    plain = PHReg(time, x).fit().params[0]
    assert found.coefficient[0] == pytest.approx(plain, rel=1e-3)  # some shares of 2e-4
    assert found.variance < 2e-4


def test_few_failures_are_refused() -> None:
    with pytest.raises(FitError, match="at least 5 failures"):
        unit_frailty([1, 2], law=["coil", "coil"], entry=0, exit=[5.0, 6.0], failed=[True, False])


def test_lives_that_cannot_be() -> None:
    with pytest.raises(InputError, match="no later than exit"):
        unit_frailty([1], law=["coil"], entry=[9.0], exit=[5.0], failed=[True])
    with pytest.raises(InputError, match="equally long"):
        unit_frailty([1], law=["coil", "coil"], entry=0, exit=[5.0], failed=[True])
