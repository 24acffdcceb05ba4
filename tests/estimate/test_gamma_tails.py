"""The gamma tail added up between ages, against the function itself and against 40 digits."""

import mpmath
import numpy as np
import pytest
from scipy.special import gammaincc

from failstats.counts.risk_table import RiskTable
from failstats.estimate.age_counts import AgeCounts
from failstats.estimate.gamma_tails import GammaTails
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_family import Family

DAYS = np.concatenate([[0.5], np.arange(1.0, 6500.0)])
EXACT = 1e-13  # relative: a few roundings of sums of up to 6,500 positive numbers
SLOPES = 1e-12


@pytest.mark.parametrize(
    ("shape", "scale"), [(1.0, 3000.0), (0.3, 20_000.0), (2.7, 900.0), (1.4, 200.0), (4.0, 1500.0)]
)
def test_the_tail_is_the_incomplete_gamma_function(shape, scale):
    tail = GammaTails(DAYS).at(shape, scale)
    assert tail is not None
    np.testing.assert_allclose(tail.value, gammaincc(shape, DAYS / scale), rtol=EXACT)


@pytest.mark.parametrize(("shape", "scale"), [(1.0, 3000.0), (0.4, 9000.0), (2.7, 900.0)])
def test_derivatives_by_shape_against_forty_digits(shape, scale):
    """Differences of mpmath's regularised upper gamma with 40 digits and a step of 1e-10."""
    tail = GammaTails(DAYS).at(shape, scale)
    with mpmath.workdps(40):
        step = mpmath.mpf(10) ** -10
        for place in (0, 7, 300, 2999, 6000, DAYS.size - 1):
            x = mpmath.mpf(DAYS[place]) / mpmath.mpf(scale)
            low, here, high = (
                mpmath.gammainc(mpmath.mpf(shape) + j * step, x, regularized=True)
                for j in (-1, 0, 1)
            )
            first, second = (high - low) / (2 * step), (high - 2 * here + low) / step**2
            assert tail.value[place] == pytest.approx(float(here), rel=EXACT)
            assert tail.first[place] == pytest.approx(float(first), rel=SLOPES, abs=EXACT)
            assert tail.second[place] == pytest.approx(float(second), rel=SLOPES, abs=EXACT)


@pytest.mark.parametrize(
    ("ages", "shape", "scale"),
    [
        (DAYS, 60.0, 30.0),  # too steep over the first days
        (DAYS, 1.0, 5.0),  # the last tail is below what doubles hold
        (DAYS, np.inf, 5.0),
        (DAYS, 1.0, np.nan),
    ],
)
def test_it_declines_where_it_would_not_be_exact(ages, shape, scale):
    with np.errstate(all="ignore"):
        assert GammaTails(ages).at(shape, scale) is None


def test_wide_gaps_between_ages_are_cut():
    ages = np.array([3.0, 40.0, 41.0, 900.0, 5000.0])
    tail = GammaTails(ages).at(1.3, 1000.0)
    np.testing.assert_allclose(tail.value, gammaincc(1.3, ages / 1000.0), rtol=EXACT)
    alone = GammaTails(ages[:1]).at(1.3, 1000.0)
    assert alone.value == pytest.approx(gammaincc(1.3, 0.003), rel=EXACT)


def few_lives():
    draw = np.random.default_rng(11)
    rows = 3000
    age = np.ceil(2500 * draw.weibull(1.6, rows))
    age[:4] = 0
    entry = np.where(draw.random(rows) < 0.4, np.floor(draw.random(rows) * 1500), 0)
    end = entry + np.ceil(draw.random(rows) * 4000)
    held = (age > entry) | (age == 0)
    entry[age == 0] = 0
    return RiskTable.from_lives(entry[held], np.minimum(age, end)[held], (age <= end)[held])


@pytest.mark.parametrize("off", [0.0, -0.4, 0.3])
@pytest.mark.parametrize("model", FAMILIES)
def test_adding_up_first_gives_what_every_age_gives(model, off):
    """Each family's log-likelihood in sums against the one that goes age by age."""
    family, counts = FAMILIES[model], AgeCounts.of(few_lives())
    theta = family.starts(counts.failures / counts.exposure, counts.span)[0] + off
    if model == "gompertz":
        theta[1] = off / counts.span * 4
    summed, plain = (
        family.log_likelihood(theta, counts),
        Family.log_likelihood(family, theta, counts),
    )
    for one, two in zip(summed, plain, strict=True):
        # differences by shape in the plain way are good to 1e-11 of the failures
        np.testing.assert_allclose(one, two, rtol=1e-10, atol=1e-10 * counts.failures)


@pytest.mark.parametrize("slope", [-3.0, -0.31, -0.29, -1e-4, 1e-9, 0.2, 0.299, 0.301, 5.0])
def test_gompertz_integrals_against_forty_digits(slope):
    grown = FAMILIES["gompertz"]._growth(slope, np.array([1.0]))
    with mpmath.workdps(40):
        for power, found in enumerate(grown):
            exact = mpmath.quad(lambda u, p=power: u**p * mpmath.exp(slope * u), [0, 1])
            assert found[0] == pytest.approx(float(exact), rel=1e-13)


def test_gompertz_integrals_without_a_slope():
    grown = FAMILIES["gompertz"]._growth(0.0, np.array([2.0]))
    for found, exact in zip(grown, (2, 2, 8 / 3), strict=True):
        assert found[0] == pytest.approx(exact, rel=1e-15)
