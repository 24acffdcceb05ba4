"""Sums over tied failures: the series against the steps added one by one, and exact fractions."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from failstats.estimate import hazard_ties
from failstats.estimate.hazard_ties import power_sums, tie_weights

NAMES = ("a", "b", "a2", "b2", "c2", "log")


def _one_by_one(deaths: int, at_risk: float, failed: float) -> list[float]:
    """Exact sums in fractions, and the logarithm from them."""
    risk, fell = Fraction(at_risk), Fraction(failed)
    fractions = [Fraction(j, deaths) for j in range(deaths)]
    phi = [risk - f * fell for f in fractions]
    pairs = list(zip(fractions, phi, strict=True))
    return [
        float(sum(1 / p for _, p in pairs)),
        float(sum(f / p for f, p in pairs)),
        float(sum(1 / p**2 for _, p in pairs)),
        float(sum(f / p**2 for f, p in pairs)),
        float(sum(f**2 / p**2 for f, p in pairs)),
        float(np.sum([np.log(float(p)) for _, p in pairs], dtype=np.longdouble)),
    ]


@pytest.mark.parametrize("share", [1e-9, 1e-4, 0.0299, 0.0301, 0.3, 1.0])
def test_sums_equal_the_steps_in_exact_fractions(share: float) -> None:
    deaths = np.array([1, 2, 3, 7, 40, 251])
    at_risk = np.array([3.0, 5.5, 1e3, 2e5, 7.25, 1e7])
    failed = at_risk * share
    # the last step of a day on which all fail is a small difference of large numbers
    rel = 4e-15 if share < 0.5 else 1e-13
    found = tie_weights(deaths, at_risk, failed, ties="efron")
    for cell in range(deaths.size):
        wanted = _one_by_one(int(deaths[cell]), float(at_risk[cell]), float(failed[cell]))
        for name, value in zip(NAMES, wanted, strict=True):
            assert getattr(found, name)[cell] == pytest.approx(value, rel=rel, abs=1e-300), name


def test_both_ways_agree_where_they_meet(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    deaths = rng.integers(1, 4000, 300)
    at_risk = rng.uniform(1, 1e6, 300)
    failed = at_risk * rng.uniform(0, hazard_ties.MOST_SHARE[-1], 300)
    series = tie_weights(deaths, at_risk, failed, ties="efron", powers=power_sums(deaths))
    monkeypatch.setattr(hazard_ties, "MOST_SHARE", (-1.0,))
    steps = tie_weights(deaths, at_risk, failed, ties="efron")
    for name in NAMES:
        np.testing.assert_allclose(getattr(series, name), getattr(steps, name), rtol=3e-14)


def test_power_sums_of_many_deaths() -> None:
    found = power_sums(np.array([5, 3000, 5]))
    assert found.kind.tolist() == [0, 1, 0]
    for row, number in enumerate((5, 3000)):
        for k in (0, 1, 2, 9, 17):
            exact = Fraction(sum(j**k for j in range(number)), number**k) if k else number
            assert found.sums[row, k] == pytest.approx(float(exact), rel=1e-15)
