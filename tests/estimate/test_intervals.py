"""Simple intervals by what defines them, at the edges and in bulk."""

from __future__ import annotations

import copy
import pickle

import numpy as np
import pytest
from scipy import stats

from failstats.errors import InputError
from failstats.estimate import intervals

#: Quantile functions are inverted to about this.
QUANTILE = 1e-9


@pytest.mark.parametrize(("count", "of"), [(0, 12), (1, 12), (7, 12), (12, 12), (3, 1000)])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_clopper_pearson_by_its_tails(count, of, level):
    low, high = intervals.clopper_pearson(count, of=of, confidence_level=level)
    outside = (1 - level) / 2
    if count:
        assert stats.binom.sf(count - 1, of, low) == pytest.approx(outside, rel=QUANTILE)
    else:
        assert low == 0
    if count < of:
        assert stats.binom.cdf(count, of, high) == pytest.approx(outside, rel=QUANTILE)
    else:
        assert high == 1


@pytest.mark.parametrize(("count", "of"), [(0, 12), (1, 12), (7, 12), (12, 12)])
def test_wilson_by_its_score(count, of):
    for end in intervals.wilson(count, of=of):
        if 0 < end < 1:
            score = (count / of - end) / np.sqrt(end * (1 - end) / of)
            assert abs(score) == pytest.approx(stats.norm.ppf(0.975), rel=QUANTILE)
        else:
            assert end == (0 if count == 0 else 1)


@pytest.mark.parametrize(("count", "of"), [(0, 12), (1, 12), (7, 12), (12, 12)])
def test_jeffreys_by_its_beta(count, of):
    low, high = intervals.jeffreys(count, of=of)
    beta = stats.beta(count + 0.5, of - count + 0.5)
    assert low == (0 if count == 0 else pytest.approx(beta.ppf(0.025), rel=QUANTILE))
    assert high == (1 if count == of else pytest.approx(beta.ppf(0.975), rel=QUANTILE))


def test_in_bulk_and_one_by_one():
    counts, of = np.array([0, 3, 12]), np.array([12, 12, 12])
    for method in (intervals.wilson, intervals.clopper_pearson, intervals.jeffreys):
        low, high = method(counts, of=of)
        for row, count in enumerate(counts):
            assert (low[row], high[row]) == pytest.approx(method(int(count), of=12))
        assert method(0, of=0) == (0, 1) or method is intervals.jeffreys


@pytest.mark.parametrize("count", [0, 1, 4, 60])
def test_poisson_by_its_tails(count):
    low, high = intervals.poisson_exact(count)
    assert stats.poisson.cdf(count, high) == pytest.approx(0.025, rel=QUANTILE)
    assert low == 0 if count == 0 else stats.poisson.sf(count - 1, low) == pytest.approx(0.025)
    nearly = intervals.byar(count)
    assert nearly[1] == pytest.approx(high, rel=0.03)
    assert intervals.rate_exact(count, exposure=4)[1] == pytest.approx(high / 4)


def test_survival_scales_agree_on_where_they_cannot_speak():
    low, high = intervals.survival_interval([1.0, 0.5, 0.0], [0.0, 0.02, np.inf])
    assert np.isnan(low[0])
    assert high[0] == 1
    assert 0 < low[1] < 0.5 < high[1] < 1
    assert low[2] == 0
    assert np.isnan(high[2])


def test_an_interval_is_a_pair_that_remembers():
    pair = intervals.Interval(1, 2, "normal")
    assert pair == (1.0, 2.0)
    for twin in (copy.deepcopy(pair), pickle.loads(pickle.dumps(pair))):
        assert twin == pair
        assert twin.method == "normal"


@pytest.mark.parametrize(
    "call",
    [
        lambda: intervals.wilson(5, of=3),
        lambda: intervals.poisson_exact(-1),
        lambda: intervals.byar(-1),
        lambda: intervals.rate_exact(1, exposure=0),
        lambda: intervals.mean_life_limits(1, exposure=0),
        lambda: intervals.mean_life_limits(1, exposure=9, ended_by="luck"),
        lambda: intervals.normal_quantile(1.0),
        lambda: intervals.survival_interval(0.5, 0.1, scale="logit"),
    ],
)
def test_bad_input(call):
    with pytest.raises(InputError):
        call()
