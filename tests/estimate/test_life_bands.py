"""Beginning a fit on bands of age changes how long it takes, never where it ends."""

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import fit
from failstats.estimate.likelihood import CountLikelihood, climb

SAME = 1e-9  # relative; both climbs end where half the squared distance in errors is below 1e-20
AGES = np.array([3.0, 90.0, 800.0, 4000.0])
STEP = 1e-5
DIFFERENCE = 1e-6  # central differences with that step


def lives(rows=4000, seed=5):
    draw = np.random.default_rng(seed)
    age = np.ceil(3000 * draw.weibull(1.7, rows))
    entry = np.where(draw.random(rows) < 0.4, np.floor(draw.random(rows) * 1500), 0)
    end = entry + np.ceil(draw.random(rows) * 4000)
    held = age > entry
    exits = np.minimum(age, end)[held]
    return RiskTable.from_lives(entry[held], exits, (age <= end)[held])


@pytest.mark.parametrize("model", FAMILIES)
def test_bands_of_age_only_begin_the_climb(model):
    table = lives()
    family = FAMILIES[model]
    likelihood = CountLikelihood.of(table.merge_causes(), family)
    assert likelihood.in_bands() is not None
    start = family.starts(table.failures / table.exposure, likelihood.span)[0]
    long_way = family.values(climb(likelihood, start).theta)
    assert fit(table, model=model).parameters == pytest.approx(long_way, rel=SAME)


def test_bands_lose_no_failure_and_no_life():
    whole = CountLikelihood.of(lives().merge_causes(), FAMILIES["weibull"])
    bands = whole.in_bands()
    assert bands.counts.failed.sum() == whole.counts.failed.sum()
    assert bands.counts.weight.sum() == whole.counts.weight.sum()
    assert bands.counts.age.size < whole.counts.age.size / 4


@pytest.mark.parametrize("model", ["lognormal", "gamma"])
def test_the_density_is_the_hazard_times_survival(model):
    family = FAMILIES[model]
    theta = family.starts(1 / 900, 4000.0)[1]
    density = family.log_density(theta, AGES)
    hazard, total = family.log_hazard(theta, AGES), family.cumulative(theta, AGES)
    for one, two, three in zip(density, hazard, total, strict=True):
        np.testing.assert_allclose(one, two - three, rtol=SAME, atol=SAME)
    for at in range(theta.size):
        step = STEP * np.eye(theta.size)[at]
        up, down = family.log_density(theta + step, AGES), family.log_density(theta - step, AGES)
        slope = (up.value - down.value) / (2 * STEP)
        np.testing.assert_allclose(density.first[at], slope, rtol=DIFFERENCE, atol=DIFFERENCE)
